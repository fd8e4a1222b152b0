"""A rehearsal shoots by default what the shipped card of the model requires, and `check` names what was not shot."""

import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright.commands.main import run_command
from glasswright_rehearsal.command import rehearse
from glasswright_rehearsal.scene.models import MODELS
from support import ROOT

STAND = ROOT / "configs/stands/north_bench.yaml"
LACKING = {
    "Halden 85 mm f/1.8": {
        "focus_series": ["focus_series at 85 mm f/5.6: 5 shots"],
        "ramp_locked": [f"ramp_locked at 85 mm f/{number}: 1 shot" for number in ("1.8", "2.8", "5.6")],
    },
    "Corvane 24-70 mm f/4": {"ramp_locked": [f"ramp_locked at {focal} mm f/4: 1 shot" for focal in (24, 50, 70)]},
}


def draw_nothing(scene):
    return np.full((len(scene.sensor.pattern), scene.frame.height_px, scene.frame.width_px), 0.5, dtype=np.float32)


@pytest.mark.parametrize("model", LACKING)
def test_a_rehearsed_ticket_has_what_its_card_requires_and_what_is_removed_is_asked_for(
    model, tmp_path, capsys, monkeypatch
):
    # only the files' EXIF is read
    monkeypatch.setattr("glasswright_rehearsal.night.tickets.render_light", draw_nothing)
    night = tmp_path / "night"
    words = [str(night), "--model", model, "--tickets", "1", "--megapixels", "0.2", "--workers", "1", "--fault", "none"]
    result = CliRunner().invoke(rehearse, [*words, "--stand", str(STAND)])
    assert result.exit_code == 0, result.output
    plan = "zoom" if len(MODELS[model].designs) > 1 else "fixed_focal"
    check = ["check", str(night / f"plans/{plan}.yaml"), "--stand", str(night / "stands/north_bench.yaml")]
    check += ["--cards", str(night / "cards"), "--tickets", str(night / "tickets")]
    assert run_command(check) == 0, capsys.readouterr()
    for role, lines in LACKING[model].items():
        shutil.move(night / "tickets/T-0001" / role, tmp_path / role)
        listed = tmp_path / f"{role}.txt"
        assert run_command([*check, "--shooting-list", str(listed)]) == 12
        wanted = [line.removeprefix("[ ] ") for line in listed.read_text(encoding="utf-8").splitlines() if role in line]
        assert wanted == lines
        shutil.move(tmp_path / role, night / "tickets/T-0001" / role)
