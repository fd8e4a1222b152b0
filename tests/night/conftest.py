"""Rehearsed nights, run once for all tests that look at them."""

from pathlib import Path

import pytest

from glasswright.commands.main import run_command

ROOT = Path(__file__).parents[2]


def run_night(folder: Path, *rehearsal: str, plan: str = "fixed_focal", serial: bool = False) -> Path:
    """Rehearse a night into a folder, run and judge it; give its ledger. Serial: a small one is done sooner so."""
    assert (
        run_command(["rehearse", str(folder), "--stand", str(ROOT / "configs/stands/north_bench.yaml"), *rehearsal])
        == 0
    )
    ledger = folder / "bench.ledger"
    code = run_command(
        ["run", str(ROOT / f"configs/plans/{plan}.yaml"), "--stand", str(folder / "stands/north_bench.yaml")]
        + ["--tickets", str(folder / "tickets"), "--cards", str(ROOT / "configs/cards"), "--ledger", str(ledger)]
        + ["--serial"] * serial
    )
    assert code in (0, 13)
    return ledger


@pytest.fixture(scope="session")
def faulty_night(tmp_path_factory):
    """Three healthy lenses, then one with each fault: folder, ledger."""
    folder = tmp_path_factory.mktemp("faulty") / "night"
    faults = [word for name in FAULTS for word in ("--fault", name)]
    return folder, run_night(folder, "--tickets", str(3 + len(FAULTS)), "--megapixels", "2", "--seed", "4", *faults)


@pytest.fixture(scope="session")
def full_size_night(tmp_path_factory):
    """One healthy lens in 24 megapixel frames, wide open: folder, ledger."""
    folder = tmp_path_factory.mktemp("full") / "night"
    rehearsal = ("--tickets", "1", "--megapixels", "24", "--seed", "8", "--fault", "none", "--f-number", "2")
    return folder, run_night(folder, *rehearsal)


FAULTS = {
    "tilted_group": "measure_centring",
    "decentred_element": "measure_mtf50",
    "wrong_spacing": "measure_mtf50",
    "curved_field": "measure_centring",
    "haze": "measure_glare",
    "lateral_colour": "measure_fringing",
    "barrel_shift": "measure_distortion",
    "vignetting_obstruction": "measure_vignetting",
}
"""Fault -> the stage that must not pass it."""
