"""The commissioning report: page and PDF have the same content, and name what is missing, old or too uncertain."""

from datetime import date

import pypdfium2
import pytest
from click.testing import CliRunner
from scipy.stats import t

from glasswright.config import StandConstant, find_shipped
from glasswright_camera.commissioning.command import commission
from glasswright_camera.commissioning.report import collect_report, draw_page, draw_pdf
from glasswright_camera.commissioning.steps import LEDGER_STEPS, STEPS

STAND_FILE = find_shipped("glasswright_camera", "stands", "north_bench.yaml")
SENSOR = StandConstant.model_validate(
    {
        "measured": date(2026, 3, 2),
        "holds_days": 30,
        "body": "Ostrel D7",
        "rests": ("measure_glare.*",),
        "values": {"white_dn": {"value": 16383.0, "u": 2.0}},
        "origin": "commissioning, step sensor, K. Moreau; 28 shots",
    }
)
FOUND = {"findings": [{"name": "white_dn", "meaning": "value of white", "ceiling_u": 1.0}], "notes": ["clips early"]}
STAND = {
    "reproducibility": {
        "measure_mtf50.*": {"relative_u": 0.01, "origin": "declared"},
        "measure_vignetting.*_ev": {"u": 0.02, "freedom": 22.0, "origin": "study"},
    }
}


def collect(today=date(2026, 3, 10), stand=STAND):
    return collect_report("north_bench.yaml", stand, {"sensor": SENSOR}, {"sensor": FOUND}, today)


def section(report, title):
    return next(each for each in report.sections if each.title.startswith(title))


def test_a_study_says_how_many_entries_are_still_declared():
    study = LEDGER_STEPS[0]
    assert study.describe_state(STAND) == "done for 1 entries of `reproducibility`, 1 still declared"
    assert study.describe_state({}) == ""


def test_the_smallest_difference_is_that_of_two_values_at_95_percent():
    # Student's t times the standard deviation of a difference (JCGM 100, G.3)
    rows = section(collect(), "What the stand can tell").rows
    assert rows[1] == (
        "measure_vignetting.*_ev",
        f"{t.ppf(0.975, 22) * 2**0.5 * 0.02:.2g}",
        "study, 22 degrees of freedom",
    )
    assert rows[0] == ("measure_mtf50.*", "3.3 %", "declared")
    assert section(collect(stand={}), "What the stand can tell").texts[0].startswith("Nothing is known")


def test_missing_and_old_steps_are_named_with_their_consequence():
    now, later = (section(collect(day), "What the stand cannot").notes for day in (date(2026, 3, 10), date(2026, 6, 1)))
    assert sum("not measured" in note for note in now) == len(STEPS) - 1
    assert any("too old since 2026-04-01" in note for note in later)
    assert any("A stretched or bowed print is counted as the lens's distortion" in note for note in now)


def test_a_constant_above_its_limit_is_marked():
    rows = section(collect(), "Sensor").rows
    assert rows == (("value of white", "16383.0 ± 2", "white_dn", "u above its limit"),)


def read_pdf(data):
    document = pypdfium2.PdfDocument(data)
    return " ".join(" ".join(page.get_textpage().get_text_bounded().split()) for page in document)


def test_page_and_document_have_the_content():
    page = draw_page(collect())
    for text in ("What the stand can tell apart", "clips early", "u above its limit", "Not in the stand file."):
        assert text in page
    data = draw_pdf(collect())
    text = read_pdf(data)
    assert "What the stand can tell apart" in text
    assert "16383.0 ± 2" in text
    assert "clips early" in text
    assert draw_pdf(collect()) == data


@pytest.mark.parametrize("name", ["report.html", "report.pdf"])
def test_the_command_writes_either(tmp_path, name):
    out = tmp_path / name
    result = CliRunner().invoke(commission, ["report", str(STAND_FILE), str(tmp_path), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert out.stat().st_size > 1000
    wrong = CliRunner().invoke(commission, ["report", str(STAND_FILE), str(tmp_path), "--out", str(tmp_path / "a.txt")])
    assert wrong.exit_code == 2
    assert "must end in .html or .pdf" in wrong.output
