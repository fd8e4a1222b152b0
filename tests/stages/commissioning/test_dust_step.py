"""Dust on the sensor: shadows with every lens are listed, those of a lens are not."""

import json
from datetime import date

import numpy as np
import pytest

from glasswright import CaptureFacts, Shot, Unmeasurable
from glasswright.config import check, find_shipped, scan_yaml
from glasswright_camera.commissioning.dust_step import (
    LensShadows,
    commission_dust,
    has_near,
    join_places,
    match_places,
    refuse_open,
)
from glasswright_camera.stand import Stand
from glasswright_rehearsal.commissioning.bench import open_bench
from glasswright_rehearsal.commissioning.dust_shots import write_dust_shots

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
TODAY = date(2026, 3, 3)
MOTES = np.array([[0.2, 0.3], [0.7, 0.6], [0.5, 0.9]])


def match(*lenses, wide=()):
    """Match small shadows; only the last lens has a wide one."""
    none = np.zeros((0, 3))
    shadows = [none] * (len(lenses) - 1) + [np.array(wide).reshape(-1, 3)]
    return match_places([LensShadows(small=small, wide=each) for small, each in zip(lenses, shadows, strict=True)])


def test_a_mote_hidden_by_a_wide_shadow_is_found_with_the_other_lenses():
    # the third mote, at (0.5, 0.9), lies on the rim of a shadow 0.2 wide
    three = match(MOTES, MOTES, MOTES[:2], wide=[(0.6, 0.8, 0.2)])
    assert (len(three.place), three.unsure) == (3, 0)
    two = match(MOTES, MOTES[:2], wide=[(0.6, 0.8, 0.2)])
    assert (len(two.place), two.unsure) == (2, 1)
    assert match(MOTES, MOTES[:2], MOTES[:2], wide=[(0.1, 0.1, 0.2)]).unsure == 0


def test_shadows_with_every_lens_are_dust_on_the_sensor():
    own = np.array([[0.4, 0.4]])
    found = match(np.vstack([MOTES, own]), MOTES[::-1] + 0.002, np.vstack([MOTES, own + 0.1]) - 0.002)
    assert np.allclose(np.sort(found.place, axis=0), np.sort(MOTES, axis=0))
    # places at 0, +0.002 and -0.002 have a standard deviation of 0.002
    assert found.scatter_frac == pytest.approx(0.002)
    assert found.unsure == 0


def test_shadows_with_two_lenses_of_three_are_undecided():
    found = match(MOTES, MOTES[:2], MOTES)
    assert len(found.place) == 2
    assert found.unsure == 1


def test_a_clean_body_and_empty_lists():
    nothing = np.zeros((0, 2))
    assert len(match(nothing, MOTES).place) == 0
    assert len(match(MOTES, nothing).place) == 0
    assert not has_near(MOTES, nothing).any()


def test_shadows_in_one_shot_of_two_are_noise():
    assert len(join_places([MOTES, MOTES[:1]])) == 1
    assert len(join_places([MOTES])) == 3


def test_the_motes_of_a_rehearsed_body_are_listed(tmp_path):
    bench = open_bench(STAND_FILE, tmp_path, 0.75, seed=3)
    write_dust_shots(bench)
    stand, _ = check(scan_yaml(tmp_path / "stands" / STAND_FILE.name), Stand, "camera")
    found = commission_dust(tmp_path / "dust", stand, TODAY)
    true = np.array(json.loads((tmp_path / "truth" / "dust.json").read_text())["places"])
    listed = np.array([[mote["x_frac"], mote["y_frac"]] for mote in found.changes["camera", "dust"]])
    assert len(listed) == len(true)
    apart = np.abs(listed[:, None] - true[None]).max(axis=2).min(axis=1)
    # shadows lie farther out by 1 mm over the pupil's distance: a hundredth and a half of half the frame
    assert apart.max() < 0.013
    assert found.body.model == "Ostrel D7"


def test_shots_at_a_wide_aperture_are_refused():
    shots = [Shot(ticket="", role="flat", name="flat/a", path="a.dng", sha256="0", sequence=0,
                  facts=CaptureFacts(f_number=f_number)) for f_number in (16.0, 2.8)]  # fmt: skip
    with pytest.raises(Unmeasurable, match=r"a.dng is at f/2.8: dust shows only at f/11 or beyond"):
        refuse_open(shots)


def test_one_lens_is_refused(tmp_path):
    (tmp_path / "lens_1").mkdir()
    (tmp_path / "lens_1" / "a.dng").write_bytes(b"")
    with pytest.raises(Unmeasurable, match="has flats of 1 lens: shoot two or more"):
        commission_dust(tmp_path, None, TODAY)
