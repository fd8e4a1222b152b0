"""A constant is bound to the body of its shots: by the files' serial number, or by a declared one."""

from datetime import date

import click
import pytest

from glasswright import CaptureFacts, Setting, Shot, Unmeasurable
from glasswright_camera.commissioning.command import _name_body
from glasswright_camera.commissioning.shots import find_body
from glasswright_camera.commissioning.standing_step import commission_standing
from glasswright_camera.commissioning.step_result import ShotBody, StepResult


def shots(*serials):
    return [
        Shot(ticket="", role="dark", name=f"dark/{k}", path=f"{k}", sha256=f"{k}", sequence=k, setting=Setting(),
             facts=CaptureFacts(body_model="Ostrel D7", body_serial=serial))
        for k, serial in enumerate(serials)
    ]  # fmt: skip


def result(body):
    return StepResult(step="sensor", findings=(), changes={}, rests=(), holds_days=1, body=body,
                      measured=date(2026, 3, 2), shot_count=1)  # fmt: skip


def test_the_files_serial_goes_into_the_stand_file():
    entry = result(find_body(shots("D7-0031", "D7-0031"))).as_entry("K. Moreau")
    assert (entry["body"], entry["body_serial"]) == ("Ostrel D7", "D7-0031")
    assert "body_serial" not in result(find_body(shots(None))).as_entry("K. Moreau")
    with pytest.raises(Unmeasurable, match="several bodies"):
        find_body(shots("D7-0031", "D7-0032"))


def test_a_declared_serial_counts_where_the_files_have_none():
    assert _name_body(result(ShotBody(model="Ostrel D7")), "D7-0031").body == ShotBody(
        model="Ostrel D7", serial="D7-0031"
    )
    own = result(ShotBody(model="Ostrel D7", serial="D7-0031"))
    assert _name_body(own, "d7-0031") is own
    with pytest.raises(
        click.ClickException, match="--body-serial D7-0032: the files are of the body with serial number"
    ):
        _name_body(own, "D7-0032")


def test_a_flange_measured_elsewhere_names_its_body(tmp_path):
    (tmp_path / "standing.yaml").write_text(
        "day: 2026-03-01\nbody: Ostrel D7\nbody_serial: D7-0031\n"
        'flange: {x_arcmin: 1.0, y_arcmin: 0.0, u_arcmin: 0.3, origin: "workshop, dial gauge"}\n'
    )
    found = commission_standing(tmp_path, None, date(2026, 3, 3))
    assert found.body == ShotBody(model="Ostrel D7", serial="D7-0031")
