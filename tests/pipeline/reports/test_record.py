"""The printed record of a lens: kinds, content, and detection of changed files."""

import base64
import dataclasses
import json
import os
import re
import subprocess
import sys

import numpy as np
import pypdfium2
import pytest
import zxingcpp

from glasswright.commands.main import run_command
from glasswright.judging import gatekeeper as gatekeeper_module
from glasswright.judging import judge as judge_module
from glasswright.judging.gate import DecisionKind
from glasswright.judging.judge import JUDGE_VERSION
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.paper import clean_text
from glasswright.reports.pages.formats import format_value
from glasswright.reports.record import record as record_module
from glasswright.reports.record.content import Signature, write_content
from glasswright.reports.record.drawing import draw_record
from glasswright.reports.record.evidence import gather_evidence
from glasswright.reports.record.fingerprint import FORMAT, NOTE, find_note, make_fingerprint, write_note
from glasswright.reports.record.formats import name_field
from support import ROOT
from support.gate_shop import LIMITS, SHARP, STAND
from support.ledger_tampering import tamper
from support.ledger_toys import CARD_HEAD, F2, F4, falloff, good_outcomes, outcome, sharpness, write_card, write_night
from support.watch_toys import WATCH, healthy, night, write_references, write_ticket

ELSEWHERE = {"ledger": "ledger 1", "commits": 2, "made_at": "2026-03-01T20:00:00+01:00", "digest": "ab"}
NOT_ACCREDITED = "A shop's record, not an accredited calibration."


class Shop:
    def __init__(self, folder):
        self.folder = folder
        self.ledger = folder / "bench.ledger"

    def night(self, make=good_outcomes, **others):
        write_night(self.ledger, ("T-1",), make, **others)
        return self

    def judge(self, *limits, stand=STAND):
        write_card(self.folder / "cards" / "corvane.yaml", limits or LIMITS, CARD_HEAD)
        (self.folder / "stand.yaml").write_text(stand, encoding="utf-8")
        run_command(
            [
                "judge",
                f"--ledger={self.ledger}",
                f"--cards={self.folder / 'cards'}",
                f"--stand={self.folder}/stand.yaml",
            ]
        )
        return self

    def make(self, name="K. Moreau", day="2026-03-02", paper="A4"):
        with Ledger.open_for_reading(self.ledger) as ledger:
            return record_module.make_record(ledger, "T-1", Signature(name=name, day=day), paper)

    def verify(self, data):
        with Ledger.open_for_reading(self.ledger) as ledger:
            return record_module.verify_record(ledger, data)

    def run(self, capsys, *arguments):
        capsys.readouterr()
        code = run_command(["record", "--ledger", str(self.ledger), *map(str, arguments)])
        captured = capsys.readouterr()
        return code, captured.out + captured.err


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def pages_of(data):
    document = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]


def falling_short(number):
    return [sharpness(0.1, ticket=number), *good_outcomes(number)[1:]]


def test_a_released_lens_gets_a_release_record_with_its_results(shop):
    made = shop.night().judge().make()
    text = " ".join(pages_of(made.data))
    assert made.decision is DecisionKind.RELEASE
    assert made.content.across == ()
    for expected in (
        "Release record RELEASE Lens: Corvane 50 mm f/2 Serial number: C50-1 Ticket: T-1 What was found",
        "Phase release",
        # 2 hypot(0.006, 0.004) = 0.0144
        "centre, sharp 50 mm f/2 0.300 ± 0.014 cycles/pixel ≥ 0.2 guarded 95 % PASS",
        # 2 hypot(0.01, 0.02) = 0.0447
        "corner loss 50 mm f/4 0.600 ± 0.045 EV ≤ 2.5 guarded 95 % PASS",
        "PASS only if inside the limit by at least the guard band, FAIL only if outside by as much, else REVIEW",
        "Student's t at 95 % (one-sided) for its degrees of freedom (JCGM 100:2008, G.3): 1.64 if they are many",
        "Signed by: K. Moreau Day: 2026-03-02",
        "all 4 limits are met",
        NOT_ACCREDITED,
        made.fingerprint,
    ):
        assert expected in text
    assert "NOT RELEASED" not in text
    assert "REHEARSED" not in text


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ("fails", "HOLD"),
        ("near", "REVIEW"),
        ("lost", "INCOMPLETE"),
        ("intake", "INCOMPLETE"),
        ("unjudged", "INCOMPLETE"),
    ],
)
def test_any_other_lens_gets_a_findings_sheet_marked_on_every_page(shop, case, expected):
    outcomes = {
        "fails": falling_short,
        "near": lambda number: [sharpness(0.201, ticket=number), *good_outcomes(number)[1:]],
        "lost": lambda number: [outcome("measure_mtf50", F2, ticket=number), *good_outcomes(number)[1:]],
    }
    shop.night(outcomes.get(case, good_outcomes), phase="intake" if case == "intake" else "release")
    made = (shop if case == "unjudged" else shop.judge()).make()
    assert made.decision is not DecisionKind.RELEASE
    pages = pages_of(made.data)
    assert pages
    for page in pages:
        assert "FINDINGS SHEET - NOT RELEASED" in page
        assert NOT_ACCREDITED in page
        assert "Release record" not in page
    assert f"Findings sheet {expected} Lens: Corvane 50 mm f/2" in pages[0]


def test_pages_of_a_rehearsed_ticket_are_marked(shop):
    made = shop.night(rehearsed=True).judge().make()
    assert made.decision is DecisionKind.RELEASE
    assert all("REHEARSED - NO REAL LENS" in page for page in pages_of(made.data))
    assert "RELEASE (rehearsed)" in pages_of(made.data)[0]
    made = shop.judge(f"{{measure: {SHARP}, min: 0.9}}").make()
    for page in pages_of(made.data):
        assert "REHEARSED - NO REAL LENS" in page
        assert "FINDINGS SHEET - NOT RELEASED" in page


def test_a_stand_out_of_control_allows_no_release_record(shop):
    write_references(shop.ledger, healthy(21), healthy(21, 8, 1.0, 0.01))
    write_ticket(shop.ledger, "T-1", night(21), good_outcomes("T-1"))
    made = shop.judge(stand=STAND + WATCH).make()
    assert made.decision is DecisionKind.RELEASE
    write_references(shop.ledger, [0.27], [1.0], start=21)
    doubted = shop.make()
    assert doubted.decision is not DecisionKind.RELEASE
    assert "the stand counts as out of control: measure_mtf50.centre.sharp_cy_per_px" in " ".join(
        pages_of(doubted.data)
    )
    assert shop.verify(doubted.data).since == ""
    with pytest.raises(
        record_module.RecordMismatchError, match="no longer supports the release: the decision is now REVIEW"
    ):
        shop.verify(made.data)


def test_the_same_record_has_the_same_bytes_in_another_process(shop):
    made = shop.night().judge().make()
    assert shop.make().data == made.data
    script = (
        "import sys; from pathlib import Path; from glasswright.ledger import Ledger\n"
        "from glasswright.reports.record.record import make_record\n"
        "from glasswright.reports.record.content import Signature\n"
        "import support.ledger_toys\n"
        "with Ledger.open_for_reading(Path(sys.argv[1])) as ledger:\n"
        "    signature = Signature(name='K. Moreau', day='2026-03-02')\n"
        "    sys.stdout.buffer.write(make_record(ledger, 'T-1', signature, 'A4').data)\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "tests"), "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    ran = subprocess.run([sys.executable, "-c", script, shop.ledger], capture_output=True, env=environment, check=True)
    assert ran.stdout == made.data


def test_an_unchanged_file_matches(shop, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shop.night().judge()
    code, out = shop.run(capsys, "T-1", "--signed-by", "K. Moreau")
    assert code == 0
    assert "T-1-release.pdf: release record of T-1, RELEASE\nfingerprint " in out
    code, out = shop.run(capsys, "--verify", "T-1-release.pdf")
    assert (code, out) == (0, "T-1-release.pdf: matches the ledger: release record of T-1, RELEASE\n")


def content_bytes(data):
    """Places of the bytes inside the page streams, without fonts."""
    spans = [match.span(1) for match in re.finditer(rb"stream\r?\n(.*?)endstream", data, re.DOTALL)]
    drawn = [(start, end) for start, end in spans if b" Tf" in data[start:end]]
    assert drawn
    return [place for start, end in drawn for place in range(start, end)]


def test_the_record_of_another_ticket_is_not_written_over(shop, capsys, tmp_path):
    shop.night().judge()
    file = tmp_path / "there.pdf"
    file.write_bytes(shop.make().data)
    write_night(shop.ledger, ("T-2",), good_outcomes)
    code, printed = shop.run(capsys, "T-2", "--out", file)
    assert code == 2
    assert f"{file} is the record of ticket T-1: name another file" in " ".join(printed.split())
    assert shop.run(capsys, "T-1", "--out", file)[0] == 0


def test_a_record_of_another_version_is_not_called_changed(shop, capsys, tmp_path):
    old = shop.night().judge().make().data.replace(f"glasswright-record-{FORMAT}:".encode(), b"glasswright-record-1:")
    (tmp_path / "old.pdf").write_bytes(old)
    code, printed = shop.run(capsys, "--verify", tmp_path / "old.pdf")
    assert code == 21
    assert f"this record has format 1, and this version of the program compares format {FORMAT}" in printed


def test_no_changed_byte_of_a_page_goes_unseen(shop):
    data = shop.night().judge().make().data
    places = content_bytes(data)
    assert len(places) > 3000
    rng = np.random.default_rng(5)
    for place in [places[0], places[-1], *rng.choice(places, 8)]:
        changed = bytearray(data)
        changed[place] ^= 1 << int(rng.integers(8))
        with pytest.raises(record_module.RecordMismatchError, match="was changed after it was made"):
            shop.verify(bytes(changed))
    with pytest.raises(record_module.RecordMismatchError, match="was changed after it was made"):
        shop.verify(data + b"\n% more")


def forge(data, **changes):
    """Change the file's data about itself."""
    fields = json.loads(base64.urlsafe_b64decode(NOTE.search(data)[1])) | changes
    forged = base64.urlsafe_b64encode(json.dumps(fields, sort_keys=True).encode())
    return data.replace(NOTE.search(data)[1], forged)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"signed_by": "S. Else"}, "the fingerprint does not match the ledger's content of ticket `T-1`"),
        ({"ticket": "T-2"}, "the ledger never contained that measurement and judgement of ticket `T-2`"),
        ({"manifest": "0" * 64}, "the ledger never contained that measurement and judgement"),
        ({"judgement": "0" * 64}, "the ledger never contained that measurement and judgement"),
        ({"judgement": ""}, "the ledger never contained that measurement and judgement"),
        ({"judge_version": 99}, "was changed after it was made"),
        ({"fingerprint": "0" * 64}, "the fingerprint does not match the ledger's content"),
        ({"paper": "Letter"}, "was changed after it was made"),
        ({"paper": "A99"}, "this is not a record written by this program"),
        ({"ticket": 7}, "this is not a record written by this program"),
        ({"head": [1]}, "this is not a record written by this program"),
        ({"head": {"commits": "1"}}, "this is not a record written by this program"),
        ({"head": ELSEWHERE | {"commits": True}}, "this is not a record written by this program"),
        ({"head": ELSEWHERE}, "the ledger never contained that measurement and judgement"),
        ({"head": ELSEWHERE | {"commits": 99}}, "or the ledger has lost its last commits"),
        (
            {"drawn_with": "reportlab 1.0"},
            "cannot be compared: it was made with reportlab 1.0, here are glasswright",
        ),
    ],
)
def test_a_file_with_changed_data_does_not_match(shop, changes, message):
    data = shop.night().judge().make().data
    with pytest.raises(record_module.RecordMismatchError, match=message):
        shop.verify(forge(data, **changes))


def test_a_findings_sheet_cannot_be_drawn_as_a_release(shop):
    """A release record of a held lens is drawn without the ledger."""
    shop.night(falling_short).judge()
    with Ledger.open_for_reading(shop.ledger) as ledger:
        held = gather_evidence(ledger, "T-1").gated
        judgement = dataclasses.replace(held.judgement, verdict=Verdict.PASS)
        released = dataclasses.replace(
            held,
            judgement=judgement,
            decision=dataclasses.replace(held.decision, kind=DecisionKind.RELEASE, reasons=()),
        )
    content = write_content(released, Signature())
    note = find_note(shop.make(name="", day="").data)
    print_of_it = make_fingerprint(content, note.manifest, note.judgement)
    note = dataclasses.replace(note, fingerprint=print_of_it)
    data = draw_record(content, paper="A4", note=write_note(note), fingerprint=print_of_it)
    assert "Release record RELEASE Lens" in pages_of(data)[0]
    with pytest.raises(record_module.RecordMismatchError, match="the fingerprint does not match the ledger's content"):
        shop.verify(data)


def test_a_record_stays_valid_after_the_ticket_is_judged_or_measured_again(shop, capsys, tmp_path):
    made = shop.night().judge().make()
    file = tmp_path / "old.pdf"
    file.write_bytes(made.data)
    shop.judge(f"{{measure: {SHARP}, min: 0.4}}")
    code, out = shop.run(capsys, "--verify", file)
    assert code == 0
    assert out.endswith("  but measured or judged again since: the decision is now HOLD\n")
    shop.night(lambda number: [sharpness(0.5, ticket=number, address="b"), *good_outcomes(number)[1:]])
    assert shop.verify(made.data).since == "measured or judged again since: the decision is now HOLD"
    shop.night(serial="C50-2")
    assert "the decision is now" in shop.verify(made.data).since


def test_newer_rules_of_judging_keep_an_old_record_valid(shop, monkeypatch):
    made = shop.night().judge().make()
    for module in (gatekeeper_module, judge_module, record_module):
        monkeypatch.setattr(module, "JUDGE_VERSION", JUDGE_VERSION + 1)
    monkeypatch.setattr(judge_module, "largest_spread", lambda *_: None)  # rules under which nothing passes
    assert shop.make().decision is not DecisionKind.RELEASE
    assert shop.verify(made.data).since == "measured or judged again since: the decision is now REVIEW"


def test_another_or_a_damaged_ledger_does_not_confirm_a_record(shop, capsys, tmp_path):
    file = tmp_path / "r.pdf"
    file.write_bytes(shop.night().judge().make().data)
    (tmp_path / "other").mkdir()
    other = Shop(tmp_path / "other").night(lambda number: [falloff(1.0, F4, ticket=number)]).judge()
    code, out = other.run(capsys, "--verify", file)
    assert code == 21
    assert f"{file}: does not match the ledger: the ledger never contained that measurement and judgement" in out
    tamper(shop.ledger, "UPDATE verdict SET value = 0.4 WHERE place = 0")
    code, out = shop.run(capsys, "--verify", file)
    assert code == 21
    assert "does not match its hash" in out


def test_a_file_that_is_no_record_is_reported(shop, capsys, tmp_path):
    shop.night().judge()
    mark = f"glasswright-record-{FORMAT}:".encode()
    for content in (b"", b"%PDF-1.4 nothing", mark + b"AAAA", mark + b"e30=" * 2):
        file = tmp_path / "odd.pdf"
        file.write_bytes(content)
        code, out = shop.run(capsys, "--verify", file)
        assert code == 21
        assert "this is not a record written by this program" in out
    code, out = shop.run(capsys, "--verify", tmp_path / "none.pdf")
    assert code == 2
    assert "there is no file" in out


def test_the_mistake_of_a_wrong_command_is_named(shop, capsys):
    shop.night()
    for arguments in ((), ("T-1", "--verify", "x.pdf")):
        code, out = shop.run(capsys, *arguments)
        assert code == 2
        assert "give either TICKET, to make its record, or --verify FILE, to check one" in out
    code, out = shop.run(capsys, "T-1", "--out", shop.ledger / "x.pdf")
    assert code == 2
    assert f"{shop.ledger}/x.pdf: cannot be written (" in out
    assert "choose another --out" in out
    code, out = shop.run(capsys, "T-9")
    assert code == 2
    assert "the ledger has no ticket `T-9`: correct the number, or measure it" in out


def test_any_text_of_a_ticket_is_plain_text_on_paper(shop):
    serial = "<b>A</b>&amp;<img src='/etc/passwd'/><para>{7}</font> \u202eX 中 Ł Ω"
    made = shop.night(serial=serial, body="B" * 900).judge().make(name="<i>K</i>")
    text = " ".join(pages_of(made.data))
    shown = "Serial number: <b>A</b>&amp;<img src='/etc/passwd'/><para>{7}</font> [U+202E]X [U+4E2D] Ł Ω"
    assert shown in text.replace("\ufffe", "")
    assert "Signed by: <i>K</i>" in text
    assert "B" * 401 not in text.replace(" ", "")
    assert shop.verify(made.data).since == ""


@pytest.mark.parametrize(("paper", "size"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_forty_limits_fit_two_sheets_of_either_size(shop, paper, size):
    made = shop.night().judge(*LIMITS * 10).make(paper=paper)
    document = pypdfium2.PdfDocument(made.data)
    assert len(document) == 3, "one in words, two of numbers"
    for page in document:
        assert np.allclose(np.array(page.get_size()) * 25.4 / 72, size, atol=0.05)
    assert "page 2 of 3" in pages_of(made.data)[1]


def test_the_code_on_the_first_sheet_is_read_by_another_library_as_the_fingerprint(shop):
    made = shop.night().judge().make()
    # ISO/IEC 18004 asks for a quiet zone of four modules, which is white paper here
    for dpi in (150, 300):
        picture = np.asarray(pypdfium2.PdfDocument(made.data)[0].render(scale=dpi / 72, grayscale=True).to_pil())
        assert [code.text for code in zxingcpp.read_barcodes(picture)] == [f"glasswright record {made.fingerprint}"]


def test_hand_checks_are_printed_with_their_signatures(shop):
    shop.night().judge()
    with Ledger.open_for_reading(shop.ledger) as ledger:
        evidence = gather_evidence(ledger, "T-1").gated
    verdicts = [
        dataclasses.replace(
            evidence.judgement.verdicts[0],
            measure=f"read_hand_checks.{name}.passed",
            at="the whole ticket",
            reason=reason,
            verdict=verdict,
        )
        for name, reason, verdict in [
            ("front_glass", "pass, K. Moreau, 2026-03-02", Verdict.PASS),
            ("mount", "nobody answered", Verdict.UNKNOWN),
        ]
    ]
    judgement = dataclasses.replace(evidence.judgement, verdicts=(*evidence.judgement.verdicts, *verdicts))
    content = write_content(dataclasses.replace(evidence, judgement=judgement), Signature())
    assert [group.step for group in content.groups] == ["MTF50", "Vignetting"]
    data = draw_record(content, paper="A4", note="note", fingerprint="0" * 64)
    # a hairline below each of the limits, and below each of the checks
    tables = re.findall(rb"\.25 w\n((?:n .* l S\n)+)", data)
    assert [each.count(b" l S") for each in tables] == [4, 2]
    text = " ".join(pages_of(data))
    assert "By hand and eye" in text
    assert "front glass pass, K. Moreau, 2026-03-02 PASS mount nobody answered UNKNOWN" in text


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [
        # JCGM 100:2008, 7.2.4: U = 0.000 79 g
        (100.02147, 0.000395, "100.02147 ± 0.00079"),
        (0.39424, 0.00396, "0.3942 ± 0.0079"),
        (0.0067, 0.0104, "0.007 ± 0.021"),
        (12345.6, 56.0, "12346 ± 112"),
        (1.0, 0.0498, "1.00 ± 0.10"),
        (0.5, None, "0.5"),
        (0.5, 0.0, "0.5"),
        (None, 0.1, "not measured"),
        (float("nan"), 0.1, "not measured"),
    ],
)
def test_a_result_is_written_to_two_digits_of_its_uncertainty(value, u, written):
    assert format_value(value, u) == written


def test_fields_and_texts_are_written_for_people():
    assert name_field("green.centre.mean_cy_per_px") == "green, centre, mean"
    assert name_field("worst_corner_loss_ev") == "worst corner loss"
    assert name_field("f_number") == "f number"
    assert clean_text("a\tb\n\u200bc\x00") == "a b [U+200B]c[U+0000]"
    assert len(clean_text("x" * 1000)) == 400


def test_the_first_page_states_the_result_in_plain_words(shop):
    outcomes = lambda number: [sharpness(0.1, ticket=number), *good_outcomes(number)[1:]]  # noqa: E731
    made = shop.night(outcomes).judge().make()
    first, *others = pages_of(made.data)
    assert "What was found • " in first
    assert (
        made.content.found[0] == "Centre, sharp: not in order at 50 mm f/2 (0.100 ± 0.014 cycles/pixel; limit ≥ 0.2)."
    )
    assert any(": in order at 50 mm f/2 and f/4 (" in each for each in made.content.found)
    assert "Signed by: K. Moreau" in first
    assert "In numbers" in others[0]
    assert "In numbers" not in first


def test_the_shop_is_in_the_head_and_is_verified(shop):
    stand = STAND + 'shop: {name: "Lens Works", address: ["1 Mill Lane", "Ashford"]}\n'
    made = shop.night().judge(stand=stand).make()
    assert "Lens Works 1 Mill Lane Ashford Release record" in pages_of(made.data)[0]
    assert shop.verify(made.data).record.content.shop == ("Lens Works", "1 Mill Lane", "Ashford")
