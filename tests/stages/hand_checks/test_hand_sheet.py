"""The hand-check sheet on a terminal, and the ticket that it writes."""

import io
import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glasswright.commands.main import run_command
from glasswright.config import EarlierNote, HandNote, load_ticket
from glasswright.judging.hand_check_entry import HandCheckError, make_note, open_entry, write_answer
from glasswright_camera import ROLES

TICKET = """\
# written at the counter
ticket: T-0412   # the number on the bag
lens: {model: "Corvane 50 mm f/2", serial: "C50-#417"}
phase: release
body: {model: Ostrel D7}
shots:
  # no contacts
  - {files: "chart/*_f2_*.dng", focal_length_mm: 50, f_number: 2}
notes: 'the owner''s words: "soft"'
"""
CARD = """\
card: "Corvane 50 mm f/2"
valid_for: {stand: north-bench, body: Ostrel D7}
limits: []
hand_checks: [front_glass, focus_ring_manual, mount]
"""
PROGRAM = "from glasswright.commands.main import main; main()"


@pytest.fixture
def shop(tmp_path):
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "card.yaml").write_text(CARD)
    (tmp_path / "T-0412").mkdir()
    (tmp_path / "T-0412" / "ticket.yaml").write_text(TICKET)
    return tmp_path


class Terminal:
    """A sheet with a pseudo-terminal."""

    def __init__(self, shop, *more):
        command = [
            sys.executable,
            "-c",
            PROGRAM,
            "hand-checks",
            str(shop / "T-0412"),
            "--cards",
            str(shop / "cards"),
            *more,
        ]
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, close_fds=True)
        os.close(slave)
        self.seen = ""

    def expect(self, text):
        """Read until a new text appears."""
        fresh = ""
        end = time.monotonic() + 60
        while text not in fresh:
            ready, _, _ = select.select([self.master], [], [], max(0.0, end - time.monotonic()))
            assert ready, f"{text!r} did not come; there was {fresh!r}"
            try:
                fresh += os.read(self.master, 4096).decode().replace("\r\n", "\n")
            except OSError:
                break
        self.seen += fresh
        assert text in fresh, fresh
        return fresh

    def say(self, line):
        os.write(self.master, f"{line}\n".encode())

    def end(self):
        code = self.process.wait(timeout=60)
        os.close(self.master)
        return code


def test_a_session_on_a_terminal_is_interrupted_continued_and_corrected(shop):
    sitting = Terminal(shop)
    assert "T-0412: Corvane 50 mm f/2, serial C50-#417\n3 hand checks, 0 of them answered" in sitting.expect(
        "who checks: "
    )
    sitting.say("K. Moreau")
    asked = sitting.expect("s stop]: ")
    assert asked.index("1 of 3: front glass") < asked.index("CAUTION: Glass breaks") < asked.index("Turn the front")
    sitting.say("what")
    assert "`what` is none of them" in sitting.expect("s stop]: ")
    sitting.say("f")
    sitting.expect("what was found: ")
    sitting.say("")
    sitting.expect("this note is required\ndescribe what was found: ")
    sitting.say("scratch: 3 mm, #2")
    asked = sitting.expect("s stop]: ")
    assert "who checks" not in asked, "asked once"
    assert "CAUTION" not in asked
    sitting.say("s")
    sitting.expect("still open: focus ring in manual focus, mount")
    assert sitting.end() == 0
    assert set(load_ticket(shop / "T-0412", ROLES).hand_checks) == {"front_glass"}

    sitting = Terminal(shop, "--who", "B. Anders")
    begun = sitting.expect("s stop]: ")
    assert "3 hand checks, 1 of them answered" in begun
    assert "front glass" not in begun, "not asked again"
    sitting.say("pass")
    sitting.expect("note, or Enter for none: ")
    sitting.say("")
    sitting.expect("s stop]: ")
    sitting.say("n")
    assert "the ticket stays incomplete" in sitting.expect("note, or Enter for none: ")
    sitting.say("")
    listed = sitting.expect("or Enter to end: ")
    assert re.search(r"1  front glass: fail \(K. Moreau, \S+\): scratch: 3 mm, #2", listed)
    sitting.say("9")
    assert "`9` is not a number from 1 to 3" in sitting.expect("or Enter to end: ")
    sitting.say("1")
    assert "so far: fail (K. Moreau" in sitting.expect("s stop]: ")
    sitting.say("p")
    sitting.expect("it failed before; describe why it passes now: ")
    sitting.say("it was dirt")
    sitting.expect("or Enter to end: ")
    sitting.say("")
    sitting.expect("all hand checks are answered and signed")
    assert sitting.end() == 0

    answers = load_ticket(shop / "T-0412", ROLES).hand_checks
    assert {name: (note.answer, note.who, note.note) for name, note in answers.items()} == {
        "front_glass": ("pass", "B. Anders", "it was dirt"),
        "focus_ring_manual": ("pass", "B. Anders", None),
        "mount": ("not_applicable", "B. Anders", None),
    }
    (before,) = answers["front_glass"].earlier
    assert (before.answer, before.who, before.note) == ("fail", "K. Moreau", "scratch: 3 mm, #2")
    text = (shop / "T-0412" / "ticket.yaml").read_text()
    assert text.startswith(TICKET), "everything that stood there stands there still"


def test_a_closed_terminal_loses_no_answer(shop):
    sitting = Terminal(shop, "--who", "K. Moreau")
    sitting.expect("s stop]: ")
    sitting.say("p")
    sitting.expect("note, or Enter for none: ")
    sitting.say("")
    sitting.expect("2 of 3")
    sitting.process.kill()
    sitting.process.wait(timeout=60)
    os.close(sitting.master)
    assert load_ticket(shop / "T-0412", ROLES).hand_checks["front_glass"].answer == "pass"
    assert sorted(path.name for path in (shop / "T-0412").iterdir()) == ["ticket.yaml"]


def run(capsys, *arguments):
    capsys.readouterr()
    code = run_command([str(each) for each in arguments])
    return code, capsys.readouterr()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "Corvane 50 mm f/2",
            "Halden 85 mm",
            "there is no card for `Corvane 50 mm f/2` (there are cards for `Halden 85 mm`)",
        ),
        ("mount]", "mounts]", "lists `mounts`, which is no hand check: correct it to one of front_glass"),
    ],
)
def test_a_card_that_does_not_fit_is_refused(shop, capsys, old, new, message):
    (shop / "cards" / "card.yaml").write_text(CARD.replace(old, new))
    code, captured = run(capsys, "hand-checks", shop / "T-0412", "--cards", shop / "cards")
    assert code == 2
    assert message in captured.err


def test_no_ticket_and_no_name_are_refused(shop, capsys):
    code, captured = run(capsys, "hand-checks", shop / "T-9", "--cards", shop / "cards")
    assert code == 2
    assert "ticket.yaml: cannot be read: No such file or directory: give a ticket's folder" in captured.err
    code, captured = run(capsys, "hand-checks", shop / "T-0412", "--cards", shop / "cards", "--who", "")
    assert code == 2
    assert "`who` must not be empty" in captured.err


def test_a_card_without_hand_checks_asks_nothing(shop, capsys):
    (shop / "cards" / "card.yaml").write_text(CARD.partition("hand_checks")[0])
    code, captured = run(capsys, "hand-checks", shop / "T-0412", "--cards", shop / "cards")
    assert (code, captured.out.splitlines()[-1]) == (0, "the card lists no hand checks")


NOTE = HandNote(answer="pass", who="K. Moreau", when="2026-03-02")


def test_a_file_that_changed_meanwhile_is_not_touched(shop):
    sheet = open_entry(shop / "T-0412")
    path = shop / "T-0412" / "ticket.yaml"
    other = TICKET.replace("release", "intake")
    path.write_text(other)
    with pytest.raises(
        HandCheckError, match="was changed by someone else in the meantime; nothing was written: start again"
    ):
        write_answer(sheet, "mount", NOTE)
    assert path.read_text() == other
    assert [each.name for each in path.parent.iterdir()] == ["ticket.yaml"]


def test_a_disc_that_is_full_leaves_the_ticket_as_it_was(shop, monkeypatch):
    sheet = open_entry(shop / "T-0412")

    def fail(handle):
        raise OSError(28, f"No space left on device for {handle}")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(HandCheckError, match="cannot be written: No space left on device"):
        write_answer(sheet, "mount", NOTE)
    assert (shop / "T-0412" / "ticket.yaml").read_text() == TICKET
    assert [each.name for each in (shop / "T-0412").iterdir()] == ["ticket.yaml"]


def test_rights_a_link_line_ends_and_the_byte_order_mark_stay(shop):
    path = shop / "T-0412" / "ticket.yaml"
    content = b"\xef\xbb\xbf" + TICKET.replace("\n", "\r\n").encode()
    real = shop / "real.yaml"
    real.write_bytes(content)
    real.chmod(0o640)
    path.unlink()
    path.symlink_to(real)
    write_answer(open_entry(shop / "T-0412"), "mount", NOTE)
    assert path.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert real.read_bytes().startswith(content)
    assert load_ticket(shop / "T-0412", ROLES).hand_checks == {"mount": NOTE}


def test_comments_among_the_answers_stay_when_one_is_corrected(shop):
    path = shop / "T-0412" / "ticket.yaml"
    block = 'hand_checks:\n  mount:  # new flange\n    answer: fail\n    who: "K. Moreau"\n    when: 2026-03-01\n'
    path.write_text(TICKET + block + "  switches: {answer: pass}  # not signed yet\n")
    write_answer(open_entry(shop / "T-0412"), "mount", NOTE)
    text = path.read_text()
    assert "# new flange" in text
    assert "# not signed yet" in text
    answers = load_ticket(shop / "T-0412", ROLES).hand_checks
    before = EarlierNote(answer="fail", who="K. Moreau", when="2026-03-01")
    assert answers == {
        "mount": NOTE.model_copy(update={"earlier": (before,)}),
        "switches": HandNote(answer="pass"),
    }


def test_a_comment_that_would_be_lost_stops_the_writing(shop):
    path = shop / "T-0412" / "ticket.yaml"
    block = "hand_checks:\n  mount:\n    answer: fail\n    note: play  # measured twice\n    who: K. Moreau\n"
    path.write_text(TICKET + block)
    before = path.read_bytes()
    with pytest.raises(HandCheckError) as caught:
        write_answer(open_entry(shop / "T-0412"), "mount", NOTE)
    assert "the comment `# measured twice` would be lost" in str(caught.value)
    assert 'write under `hand_checks` by hand: mount: {answer: "pass"' in str(caught.value)
    assert path.read_bytes() == before


PRINTABLE = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=40)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(who=PRINTABLE.map("Ada {}".format), note=PRINTABLE, answer=st.sampled_from(["pass", "fail", "not_applicable"]))
def test_any_note_reads_back_and_the_rest_is_unchanged(shop, who, note, answer):
    path = Path(shop / "T-0412" / "ticket.yaml")
    path.write_text(TICKET)
    written = make_note(answer, who, "2026-03-02T14:05+01:00", note)
    write_answer(open_entry(shop / "T-0412"), "mount", written)
    assert load_ticket(shop / "T-0412", ROLES).hand_checks == {"mount": written}
    assert path.read_text(encoding="utf-8").startswith(TICKET)


@pytest.mark.parametrize(
    ("note", "message"),
    [
        (("pass", "", "2026-03-02", ""), "`who` must not be empty"),
        (("pass", "???", "2026-03-02", ""), "`???` is not the name of a person: write who it is"),
        (("pass", "K. Moreau", "today", ""), "`when` must be a day or a time"),
        (("pass", "K. Moreau", "2026-03-02", "two\tparts"), "`note` must be one line"),
        (("maybe", "K. Moreau", "2026-03-02", ""), "`answer` Input should be 'pass', 'fail' or 'not_applicable'"),
    ],
)
def test_an_invalid_answer_is_not_written(note, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        make_note(*note)


def test_a_ticket_that_is_answered_is_only_shown(shop, capsys, monkeypatch):
    signed = '{answer: pass, who: "K. Moreau", when: "2026-03-02"}'
    names = ("front_glass", "focus_ring_manual", "mount")
    answers = "".join(f"  {name}: {signed}\n" for name in names)
    path = shop / "T-0412" / "ticket.yaml"
    path.write_text(f"{TICKET}hand_checks:\n{answers}")
    before = path.read_bytes()
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    code, captured = run(capsys, "hand-checks", shop / "T-0412", "--cards", shop / "cards")
    assert code == 0
    assert "3 hand checks, 3 of them answered" in captured.out
    assert captured.out.count("pass (K. Moreau, 2026-03-02)") == 3
    assert captured.out.splitlines()[-1] == "all hand checks are answered and signed"
    assert path.read_bytes() == before


def test_a_session_without_an_answer_is_interrupted(shop, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("K. Moreau\np\n\n"))
    code, captured = run(capsys, "hand-checks", shop / "T-0412", "--cards", shop / "cards")
    assert code == 130
    assert "interrupted; every answer given before is written" in captured.out
    assert captured.out.splitlines()[-1] == "still open: focus ring in manual focus, mount"
    assert set(load_ticket(shop / "T-0412", ROLES).hand_checks) == {"front_glass"}


def test_a_second_sheet_of_a_ticket_overwrites_nothing(shop):
    one, other = open_entry(shop / "T-0412"), open_entry(shop / "T-0412")
    write_answer(one, "mount", NOTE)
    with pytest.raises(HandCheckError, match="was changed by someone else in the meantime"):
        write_answer(other, "front_glass", NOTE)
    assert load_ticket(shop / "T-0412", ROLES).hand_checks == {"mount": NOTE}
