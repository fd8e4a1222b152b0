"""Capture times: shots far apart in time are reviewed; a clock wrong for all shots is only reported."""

import dataclasses

import pytest

from glasswright.judging.gate import notes_of
from glasswright.judging.shots import find_about_shots
from glasswright.ledger.verdict import Verdict
from support import night_exif as exif
from support.ledger_toys import shots_at, state

EVENING = ("2026-03-02T20:00:00", "2026-03-02T20:10:00", "2026-03-02T23:30:00")


def seen(*times, measured_at="2026-03-03T06:00:00+01:00", rehearsed=False):
    made = state(rehearsed=rehearsed)
    return dataclasses.replace(
        made, record=dataclasses.replace(made.record, shots=shots_at(*times)), measured_at=measured_at
    )


def test_an_evening_at_the_stand_is_one_visit():
    assert find_about_shots(seen(*EVENING)) == ()
    assert notes_of(seen(*EVENING)) == ()


@pytest.mark.parametrize(
    ("far", "middle"),
    [("2026-02-20T20:00:00", "20:10:00"), ("2026-03-04T20:00:00", "23:30:00"), ("2000-01-01T00:00:10", "20:10:00")],
)
def test_a_shot_of_another_day_is_reviewed(far, middle):
    ((verdict, reason),) = find_about_shots(seen(*EVENING, far))
    assert verdict is Verdict.REVIEW
    assert reason == (
        f"1 shot taken more than 24 hours from the middle of the visit, 2026-03-02 {middle} "
        f"(chart/3.dng: {far.replace('T', ' ')}): check that they belong to this visit"
    )


@pytest.mark.parametrize("times", [(), ("2000-01-01T00:00:10", "2000-01-01T00:09:00"), EVENING[:1]])
def test_a_clock_wrong_for_all_shots_or_never_set_is_no_reason(times):
    assert find_about_shots(seen(*times)) == ()


@pytest.mark.parametrize(
    ("measured_at", "expected"),
    [
        ("2026-03-12T06:00:00+01:00", "9 days later: check that the shots belong to this visit"),
        ("2026-03-01T06:00:00+01:00", "that clock is wrong"),
    ],
)
def test_times_far_from_the_measurement_are_reported(measured_at, expected):
    (note,) = notes_of(seen(*EVENING, measured_at=measured_at))
    assert note.startswith("shot on 2026-03-02 by the body's clock, and measured on 2026-03-")
    assert note.endswith(expected)
    assert notes_of(seen(*EVENING, measured_at=measured_at, rehearsed=True)) == ()


def test_the_ledger_keeps_the_time_of_each_shot(shop):
    folder = shop.add(3)
    exif.write_tiff(folder / "ramp/f2_a.tif", exif={exif.TAKEN_AT: "2026:03:02 20:00:00"})
    exif.write_tiff(folder / "ramp/f2_b.tif", exif={exif.TAKEN_AT: "2026:01:02 20:00:00"})
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 11
    assert "1 shot taken more than 24 hours from the middle of the visit" in "; ".join(decision["reasons"])
