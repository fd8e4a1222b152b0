"""The shot index: the content of a ticket's folder, and findings about it."""

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright.intake.exif import read_facts
from glasswright.intake.index import TicketRequest, index_ticket
from glasswright.intake.shot_setting import Nominal, ShotRule, settle
from glasswright.plugin.artefact import REHEARSED, CaptureFacts, Setting, Ticket
from glasswright_camera import ROLES
from support import night_exif as exif

MODEL = "Corvane 50 mm f/2"
TICKET = Ticket(number="T-1", model=MODEL, serial="C50-1", phase="release", body="Ostrel D7")
LENS_AT_F2 = {exif.LENS_MODEL: MODEL, exif.F_NUMBER: (20, 10), exif.FOCAL_LENGTH: (50, 1)}
BODY = {exif.MAKE: "Ostrel", exif.MODEL: "D7"}


def index(folder, rules=(), focal_lengths=(50,), f_numbers=(2, 4), body_serial=None, by_setting=(), rehearsed=False):
    request = TicketRequest(
        folder=folder,
        ticket=replace(TICKET, rehearsed=rehearsed),
        body_serial=body_serial,
        rules=rules,
        nominal=Nominal(focal_length_mm=focal_lengths, f_number=f_numbers),
        roles=ROLES,
        by_setting=frozenset(by_setting),
    )
    return index_ticket(request)


def add_shot(folder, name, image=BODY, tags=LENS_AT_F2):
    return exif.write_tiff(folder / name, image, tags, padding=name.encode())


def write_sums(folder):
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    sums = {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    (folder / "SHA256SUMS").write_text("".join(f"{sha}  {name}\n" for name, sha in sums.items()))


def the_shot(indexed, name):
    (found,) = [each for each in indexed.shots if each.shot.name == name]
    return found


def test_a_shot_has_its_role_digest_place_setting_and_what_exif_says(tmp_path):
    tags = {
        **LENS_AT_F2,
        exif.LENS_SERIAL: "C50-1",
        exif.BODY_SERIAL: "D7-31",
        exif.EXPOSURE_TIME: (1, 60),
        exif.ISO: 100,
        exif.TAKEN_AT: "2026:03:01 22:10:00",
    }
    path = add_shot(tmp_path, "chart/0002.tif", tags=tags)
    add_shot(tmp_path, "chart/0001.tif")
    write_sums(tmp_path)
    indexed = index(tmp_path)
    shot = the_shot(indexed, "chart/0002.tif").shot
    assert (shot.role, shot.sequence, shot.ticket, shot.path) == ("chart", 1, "T-1", str(path))
    assert shot.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert shot.setting == Setting(focal_length_mm=50, f_number=2)
    assert shot.facts == CaptureFacts(
        body_model="Ostrel D7",
        body_serial="D7-31",
        lens_model=MODEL,
        lens_serial="C50-1",
        focal_length_mm=50,
        f_number=2,
        exposure_time_s=1 / 60,
        iso=100,
        captured_at="2026:03:01 22:10:00",
    )
    assert indexed.findings == ()
    assert shot.caveats == ()


def test_the_bodys_serial_numbers_are_those_of_the_files_and_the_declared_one(tmp_path):
    add_shot(tmp_path, "chart/0001.tif", tags={**LENS_AT_F2, exif.BODY_SERIAL: "00D7-31"})
    assert index(tmp_path).body_serials == ("00D7-31",)
    assert index(tmp_path, body_serial="d7-31").body_serials == ("00D7-31",)
    assert index(tmp_path, body_serial="D7-32").body_serials == ("00D7-31", "D7-32")


@pytest.mark.parametrize("nothing", [(0, 0), (0, 10), (5, 0)])
def test_zero_and_zero_over_zero_in_exif_count_as_missing(tmp_path, nothing):
    path = add_shot(tmp_path, "chart/1.tif", tags={exif.F_NUMBER: nothing, exif.FOCAL_LENGTH: nothing})
    facts = read_facts(path)
    assert (facts.f_number, facts.focal_length_mm) == (None, None)


@settings(deadline=None)
@given(st.binary(max_size=400), st.booleans())
def test_no_bytes_make_reading_exif_fail(data, as_tiff):
    path = Path("/dev/shm") / f"night-exif-{os.getpid()}"
    try:
        path.write_bytes((b"II*\0\x08\0\0\0" if as_tiff else b"") + data)
        assert isinstance(read_facts(path), CaptureFacts)
    finally:
        path.unlink(missing_ok=True)


@pytest.mark.parametrize(
    ("focal_length", "f_number", "joined"),
    [
        (51.4, 2.0, Setting(focal_length_mm=50, f_number=2)),
        (51.6, 2.0, Setting(focal_length_mm=51.6, f_number=2)),
        (48.6, 2.11, Setting(focal_length_mm=50, f_number=2)),
        (50.0, 2.13, Setting(focal_length_mm=50, f_number=2.13)),
        (50.0, 3.8, Setting(focal_length_mm=50, f_number=4)),
    ],
)
def test_a_shot_joins_the_nearest_nominal_setting_within_3_percent_and_a_sixth_of_a_stop(
    focal_length, f_number, joined
):
    # a sixth of a stop is a factor of 2 ** (1 / 12) = 1.0595 in f-number: f/2 takes f/1.888 to f/2.119
    facts = CaptureFacts(focal_length_mm=focal_length, f_number=f_number)
    found = settle("chart/1", ROLES["chart"], facts, (), Nominal(focal_length_mm=(50.0,), f_number=(2.0, 4.0)))
    assert found.setting == joined
    assert (found.findings == ()) == (
        joined in (Setting(focal_length_mm=50, f_number=2), Setting(focal_length_mm=50, f_number=4))
    )


def test_a_shot_near_no_nominal_setting_is_reported_and_keeps_its_own(tmp_path):
    add_shot(tmp_path, "chart/1.tif", tags={**LENS_AT_F2, exif.F_NUMBER: (28, 10)})
    indexed = index(tmp_path)
    assert (
        "chart/1.tif: f-number 2.8 is near none of the plan's (2, 4): treated as a separate setting" in indexed.findings
    )
    assert the_shot(indexed, "chart/1.tif").shot.setting == Setting(focal_length_mm=50, f_number=2.8)


def test_the_ticket_supplies_the_settings_of_a_manual_lens(tmp_path):
    add_shot(tmp_path, "chart/f2_1.tif", tags={})
    add_shot(tmp_path, "chart/f4_1.tif", tags={})
    rule = ShotRule(files="chart/f2_*", focal_length_mm=50, f_number=2, focus_distance_m=1.5)
    indexed = index(tmp_path, rules=(rule,))
    assert the_shot(indexed, "chart/f2_1.tif").shot.setting == Setting(
        focal_length_mm=50, f_number=2, focus_distance_m=1.5
    )
    assert the_shot(indexed, "chart/f4_1.tif").shot.setting == Setting()
    expected = "no focal length and no f-number in EXIF or ticket.yaml: give them in ticket.yaml under `shots`"
    assert f"chart/f4_1.tif: {expected}" in indexed.findings
    assert the_shot(indexed, "chart/f4_1.tif").refusal == ""


@pytest.mark.parametrize(
    ("tags", "lacks"),
    [
        ({}, "no focal length and no f-number in EXIF or ticket.yaml: give them"),
        ({exif.FOCAL_LENGTH: (50, 1), exif.F_NUMBER: (0, 1)}, "no f-number in EXIF or ticket.yaml: give it"),
        ({exif.FOCAL_LENGTH: (0, 0), exif.F_NUMBER: (2, 1)}, "no focal length in EXIF or ticket.yaml: give it"),
    ],
)
def test_a_shot_whose_setting_is_not_known_is_not_used_where_shots_are_gathered_by_setting(tmp_path, tags, lacks):
    for role in ("chart", "dark", "shake_on"):
        add_shot(tmp_path, f"{role}/1.tif", tags=tags)
    indexed = index(tmp_path, by_setting=("chart", "dark"))
    assert index(tmp_path, by_setting=("shake_on",)).shots[-1].refusal.count("exposure time") == 1
    expected = f"{lacks} in ticket.yaml under `shots`"
    assert the_shot(indexed, "chart/1.tif").refusal == expected
    assert the_shot(indexed, "dark/1.tif").refusal == the_shot(indexed, "shake_on/1.tif").refusal == ""
    assert f"chart/1.tif: {expected}" in indexed.findings


def test_a_pattern_of_the_ticket_that_matches_nothing_is_reported(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    indexed = index(tmp_path, rules=(ShotRule(files="chart/*_f8_*", f_number=8),))
    assert "ticket.yaml: no shot matches 'chart/*_f8_*' under `shots`" in indexed.findings


def test_a_setting_that_differs_between_exif_and_ticket_is_a_finding_and_a_caveat(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    add_shot(tmp_path, "chart/2.tif")
    write_sums(tmp_path)
    indexed = index(tmp_path, rules=(ShotRule(files="chart/1.tif", f_number=4),))
    shot = the_shot(indexed, "chart/1.tif").shot
    assert shot.setting == Setting(focal_length_mm=50, f_number=4)
    assert shot.caveats == ("setting_contradiction",)
    assert the_shot(indexed, "chart/2.tif").shot.caveats == ()
    expected = "chart/1.tif: EXIF has f-number 2, ticket.yaml says 4; the ticket's is used: correct whichever is wrong"
    assert indexed.findings == (expected,)


@pytest.mark.parametrize(
    ("image", "tags", "expected"),
    [
        (
            BODY,
            {exif.LENS_MODEL: "Corvane 85 mm f/2"},
            f"EXIF has lens model 'Corvane 85 mm f/2' (chart/1.tif), ticket.yaml says '{MODEL}'",
        ),
        (BODY, {exif.LENS_SERIAL: "C50-9"}, "EXIF has lens serial 'C50-9' (chart/1.tif), ticket.yaml says 'C50-1'"),
        ({exif.MODEL: "D8"}, {}, "EXIF has body 'D8' (chart/1.tif), ticket.yaml says 'Ostrel D7'"),
        (BODY, {exif.BODY_SERIAL: "7"}, "EXIF has body serial '7' (chart/1.tif), ticket.yaml says '31'"),
    ],
)
def test_files_of_another_lens_or_body_are_a_finding_and_a_caveat_on_every_shot(tmp_path, image, tags, expected):
    add_shot(tmp_path, "chart/1.tif", image, {**LENS_AT_F2, **tags})
    add_shot(tmp_path, "chart/2.tif")
    write_sums(tmp_path)
    indexed = index(tmp_path, body_serial="31")
    assert indexed.findings == (expected + ": correct whichever is wrong",)
    assert {each.shot.caveats for each in indexed.shots} == {("identity_contradiction",)}
    assert indexed.ticket.caveats == ("identity_contradiction",)


@pytest.mark.parametrize("declared", [False, True])
def test_a_frame_that_was_rendered_makes_its_ticket_a_rehearsal(tmp_path, declared):
    add_shot(tmp_path, "chart/1.tif", {**BODY, exif.SOFTWARE: REHEARSED}, LENS_AT_F2)
    add_shot(tmp_path, "chart/2.tif", {**BODY, exif.SOFTWARE: "Ostrel 1.02"}, LENS_AT_F2)
    write_sums(tmp_path)
    indexed = index(tmp_path, rehearsed=declared)
    assert indexed.ticket.rehearsed
    expected = (
        "the frame was rendered by a rehearsal (chart/1.tif), ticket.yaml does not say `rehearsed: true`: no lens is "
        "released by it"
    )
    assert indexed.findings == (() if declared else (expected,))
    assert indexed.ticket.caveats == (() if declared else ("identity_contradiction",))


def test_a_missing_f_number_is_named(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    for name in ("chart/2.tif", "chart/3.tif"):
        add_shot(tmp_path, name, BODY, {exif.FOCAL_LENGTH: (50, 1)})
    write_sums(tmp_path)
    indexed = index(tmp_path, rules=(ShotRule(files="chart/*", f_number=2),))
    assert indexed.findings == ("f-number from ticket.yaml alone, EXIF has none: chart/2.tif and 1 more",)


@pytest.mark.parametrize("model", ["CORVANE 50mm  f/2", MODEL])
@pytest.mark.parametrize(
    "body", [{exif.MODEL: "Ostrel D7"}, BODY, {exif.MAKE: "Ostrel Works", exif.MODEL: "Ostrel D7"}]
)
def test_case_blanks_and_the_makers_name_make_no_contradiction(tmp_path, model, body):
    add_shot(tmp_path, "chart/1.tif", body, {**LENS_AT_F2, exif.LENS_MODEL: model})
    write_sums(tmp_path)
    assert index(tmp_path).findings == ()


def test_dark_shots_have_no_setting_and_exposure_belongs_to_the_shake_roles_alone(tmp_path):
    for role in ("dark", "chart", "shake_on"):
        add_shot(tmp_path, f"{role}/1.tif", tags={**LENS_AT_F2, exif.EXPOSURE_TIME: (1, 8)})
    indexed = index(tmp_path)
    assert the_shot(indexed, "dark/1.tif").shot.setting is None
    assert the_shot(indexed, "chart/1.tif").shot.setting == Setting(focal_length_mm=50, f_number=2)
    assert the_shot(indexed, "shake_on/1.tif").shot.setting == Setting(
        focal_length_mm=50, f_number=2, exposure_time_s=0.125
    )


def test_without_checksums_the_copy_is_reported_as_unverified(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    indexed = index(tmp_path)
    assert indexed.ticket.notes == ("no SHA256SUMS: the copies cannot be verified",)
    assert indexed.shots[0].shot.caveats == ("unverified_copy",)


def test_a_list_of_checksums_that_is_too_long_is_not_read_in_part(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    write_sums(tmp_path)
    with (tmp_path / "SHA256SUMS").open("r+b") as file:
        file.truncate(16 * 2**20 + 1)
    assert "SHA256SUMS is over 16 MiB: not read" in index(tmp_path).findings


def test_a_file_with_a_wrong_checksum_is_refused_and_a_missing_one_reported(tmp_path):
    path = add_shot(tmp_path, "chart/1.tif")
    add_shot(tmp_path, "chart/2.tif")
    gone = add_shot(tmp_path, "chart/3.tif")
    write_sums(tmp_path)
    gone.unlink()
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    path.write_bytes(path.read_bytes() + b"!")
    after = hashlib.sha256(path.read_bytes()).hexdigest()
    indexed = index(tmp_path)
    assert the_shot(indexed, "chart/1.tif").refusal == (
        f"SHA256SUMS says {before[:12]}..., the file has {after[:12]}...: copy it again"
    )
    assert the_shot(indexed, "chart/3.tif").refusal == "listed in SHA256SUMS, but the file is not there: copy it again"
    assert [each.shot.sequence for each in indexed.shots] == [0, 1, 2]
    assert any(finding.startswith("chart/3.tif: listed in SHA256SUMS") for finding in indexed.findings)


def test_a_listed_file_that_is_no_shot_is_reported_if_it_is_missing_or_an_old_ticket(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    for name in ("notes.txt", "scan.pdf", "ticket.yaml"):
        (tmp_path / name).write_text("as it was")
    write_sums(tmp_path)
    unused = [f"{name} is beside the role folders" for name in ("notes.txt", "scan.pdf")]
    assert [each.partition(":")[0] for each in index(tmp_path).findings] == unused
    (tmp_path / "notes.txt").unlink()
    (tmp_path / "scan.pdf").write_text("another")
    (tmp_path / "ticket.yaml").write_text("another")
    assert [each for each in index(tmp_path).findings if "beside" not in each] == [
        "notes.txt is listed in SHA256SUMS, but is missing",
        "ticket.yaml has changed since SHA256SUMS was written",
    ]


def test_checksum_lines_outside_the_folder_or_invalid_are_reported_and_not_followed(tmp_path):
    add_shot(tmp_path, "chart/1.tif")
    sha = "0" * 64
    (tmp_path / "SHA256SUMS").write_text(
        f"{sha}  ../secret\n{sha}  /etc/passwd\nhello\n{sha} *chart/1.tif\n{'1' * 64}  chart/1.tif\n"
    )
    indexed = index(tmp_path)
    assert "SHA256SUMS:1: '../secret' points outside the ticket's folder: ignored" in indexed.findings
    assert "SHA256SUMS:2: '/etc/passwd' points outside the ticket's folder: ignored" in indexed.findings
    assert any(each.startswith("SHA256SUMS:3: not in sha256sum's format") for each in indexed.findings)
    assert any(each.startswith("SHA256SUMS:5: 'chart/1.tif' is listed twice") for each in indexed.findings)
    assert indexed.shots[0].refusal.startswith("SHA256SUMS says 000000000000...")


def test_a_copy_under_another_name_is_no_repeat(tmp_path):
    path = add_shot(tmp_path, "chart/1.tif")
    (tmp_path / "chart/2.tif").write_bytes(path.read_bytes())
    (tmp_path / "flat").mkdir()
    (tmp_path / "flat/1.tif").write_bytes(path.read_bytes())
    indexed = index(tmp_path)
    assert the_shot(indexed, "chart/2.tif").refusal.startswith("is a copy of chart/1.tif (same SHA-256)")
    assert the_shot(indexed, "chart/1.tif").refusal == ""
    assert the_shot(indexed, "flat/1.tif").refusal == ""


def test_links_are_not_followed_and_strange_things_are_reported(tmp_path):
    folder, elsewhere = tmp_path / "T-1", tmp_path / "elsewhere"
    secret = add_shot(elsewhere, "secret.tif")
    add_shot(folder, "chart/1.tif")
    (folder / "chart/link.tif").symlink_to(secret)
    (folder / "flat").symlink_to(elsewhere)
    os.mkfifo(folder / "chart/pipe")
    (folder / "chart/inner").mkdir()
    (folder / "panel").mkdir()
    (folder / "chrt").mkdir()
    (folder / "chrt/1.tif").write_text("x")
    (folder / "notes.txt").write_text("x")
    (folder / "chart/.hidden").write_text("x")
    (folder / ".old").mkdir()
    (folder / ".old/0007.dng").write_text("x")
    for number in range(7):
        (folder / f"chart/{number}.xmp").write_text("x")
    (folder / "chart/1.jpg").write_text("x")
    indexed = index(folder)
    assert [each.shot.name for each in indexed.shots] == ["chart/1.tif"]
    assert set(indexed.unused) == {
        "chart/link.tif is a symbolic link, which is not followed: copy the file itself",
        "flat is a symbolic link, which is not followed: copy the files themselves",
        "chart/inner/ is a folder inside a role's folder: its 0 files are not used",
        f"chrt/ is not a role: its 1 file are not used; roles are {', '.join(sorted(ROLES))}",
    }
    assert set(indexed.findings) == {
        "hidden, so not used: .old/ (1 file)",
        "hidden, so not used: chart/.hidden",
        "not raw files by their names, so not used: chart/0.xmp, chart/1.xmp, chart/2.xmp, chart/3.xmp, chart/4.xmp "
        "and 2 more",
        "chart/pipe is not a plain file: not used",
        "panel/ contains no shots",
        "notes.txt is beside the role folders: not used. Put shots into a role's folder",
        "chart/1.jpg has the name of a raw file beside it: taken for its preview, not used",
    }


def test_an_empty_ticket_is_reported(tmp_path):
    assert "the ticket holds no shots" in index(tmp_path).findings


def test_results_do_not_depend_on_the_place_of_the_folder(tmp_path):
    for place in ("a", "b"):
        add_shot(tmp_path / place, "chart/1.tif")
    first, second = (index(tmp_path / place) for place in ("a", "b"))
    assert replace(first.shots[0].shot, path="") == replace(second.shots[0].shot, path="")
