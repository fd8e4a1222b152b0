"""The command `reference-values`: from an exported table to a file for the stand file."""

import csv

import numpy as np
import pytest
import yaml
from click.testing import CliRunner
from scipy.stats import norm

from glasswright.config import read_config
from glasswright_camera.diagnosis.command import COLUMNS, FEWEST, Row, find_reference_values, reference_values
from glasswright_camera.diagnosis.reference_values import KnownLens

GLARE = "measure_glare.chart_glare_pct"


def rows(values, measure=GLARE, f_number=2.0):
    return [
        Row(
            ticket=f"T-{number:04d}",
            serial=f"C50-{number}",
            measured_at="2026-03-01",
            measure=measure,
            focal_length_mm=50.0,
            f_number=f_number,
            value=float(value),
        )
        for number, value in enumerate(values)
    ]


def test_a_normal_sample_gives_its_quantiles():
    """Median and MAD / 0.6745 of a normal sample: Rousseeuw and Croux, JASA 88 (1993), from memory."""
    sample = norm.ppf((np.arange(999) + 0.5) / 999, loc=3.0, scale=0.2)
    (found,), copies = find_reference_values(rows(sample))
    assert (found.measure, found.focal_length_mm, found.f_number, copies) == (GLARE, 50.0, 2.0, 999)
    assert found.middle == pytest.approx(3.0, abs=1e-6)
    assert found.scatter == pytest.approx(0.2, rel=5e-3)


def test_a_few_faulty_lenses_do_not_matter():
    sample = norm.ppf((np.arange(60) + 0.5) / 60, loc=3.0, scale=0.2)
    (clean,), _ = find_reference_values(rows(sample))
    (mixed,), _ = find_reference_values(rows([*sample, 9.0, 9.5, 11.0]))
    assert mixed.middle == pytest.approx(clean.middle, abs=0.02)
    assert mixed.scatter == pytest.approx(clean.scatter, rel=0.15)


def test_the_first_visit_of_each_lens_counts():
    first = rows(np.linspace(1, 2, 9))
    again = [Row(**{**vars_of(row), "measured_at": "2026-04-01", "value": 50.0}) for row in first]
    assert find_reference_values([*again, *first]) == find_reference_values(first)


def vars_of(row):
    return {name: getattr(row, name) for name in row.__dataclass_fields__}


def test_too_few_lenses_and_other_fields_are_left_out():
    assert find_reference_values(rows(range(FEWEST - 1))) == ((), 0)
    assert find_reference_values(rows(range(20), measure="measure_glare.disc_count")) == ((), 0)
    assert find_reference_values(rows([np.nan] * 20)) == ((), 0)


def write_table(path, values, columns=COLUMNS):
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns, extrasaction="ignore")
        writer.writeheader()
        for row in rows(values):
            step, field = row.measure.split(".", 1)
            writer.writerow({"model": "Corvane 50 mm f/2", "step": step, "field": field, **vars_of(row)})


def test_the_file_that_is_written_can_be_read(tmp_path):
    table, out = tmp_path / "measurements.csv", tmp_path / "lens.yaml"
    write_table(table, np.linspace(-0.2, 0.2, 11))
    result = CliRunner().invoke(
        reference_values, ["Corvane 50 mm f/2", str(table), "--out", str(out), "--origin", "a drawer"]
    )
    assert result.exit_code == 0, result.output
    known = read_config(out, KnownLens)
    assert (known.model, known.copies, known.origin) == ("Corvane 50 mm f/2", 11, "a drawer")
    assert [(each.measure, each.f_number, each.middle) for each in known.values] == [(GLARE, 2.0, 0.0)]
    again = CliRunner().invoke(reference_values, ["Corvane 50 mm f/2", str(table), "--out", str(out)])
    assert again.exit_code == 1
    assert "exists already" in again.output


def test_wrong_input_is_reported(tmp_path):
    table, out = tmp_path / "measurements.csv", tmp_path / "lens.yaml"
    write_table(table, np.linspace(-0.2, 0.2, 11))
    result = CliRunner().invoke(reference_values, ["Corvane 50", str(table), "--out", str(out)])
    assert result.exit_code == 1
    assert "no field has values of 8 lenses of 'Corvane 50'" in result.output
    write_table(table, [1.0], columns=[name for name in COLUMNS if name != "serial"])
    result = CliRunner().invoke(reference_values, ["Corvane 50 mm f/2", str(table), "--out", str(out)])
    assert "no column serial: use the measurements.csv that `glasswright export` writes" in result.output
    assert not out.exists()


def test_only_the_lenses_that_tuning_counts_as_healthy_are_used(tmp_path):
    table, out, proposal = (tmp_path / name for name in ("measurements.csv", "lens.yaml", "proposal.yaml"))
    write_table(table, [*np.linspace(-0.2, 0.2, 11), *np.linspace(5.0, 6.0, 9)])
    healthy = [f"T-{number:04d}" for number in range(11)]
    proposal.write_text(yaml.safe_dump({"proposal": "Corvane 50 mm f/2", "evidence": {"healthy": healthy}}))
    arguments = ["Corvane 50 mm f/2", str(table), "--out", str(out), "--proposal", str(proposal)]
    result = CliRunner().invoke(reference_values, arguments)
    assert result.exit_code == 0, result.output
    known = read_config(out, KnownLens)
    assert (known.copies, known.values[0].middle) == (11, 0.0)
    assert known.origin.startswith("lenses that proposal.yaml counts as healthy in measurements.csv")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{proposal: Halden 85 mm f/1.8, evidence: {healthy: []}}", "is about `Halden 85 mm f/1.8`, not `Corvane 50"),
        ("{proposal: Corvane 50 mm f/2}", "lists no healthy lenses: use the proposal.yaml of `glasswright tune`"),
        ("{proposal: Corvane 50 mm f/2, evidence: {healthy: [T-0001]}}", "no field has values of 8 healthy lenses"),
        ("{", "cannot be read"),
    ],
)
def test_a_file_that_is_no_proposal_for_the_model_is_refused(tmp_path, text, message):
    table, proposal = tmp_path / "measurements.csv", tmp_path / "proposal.yaml"
    write_table(table, np.linspace(-0.2, 0.2, 11))
    proposal.write_text(text)
    arguments = [str(table), "--out", str(tmp_path / "lens.yaml"), "--proposal", str(proposal)]
    result = CliRunner().invoke(reference_values, ["Corvane 50 mm f/2", *arguments])
    assert result.exit_code == 1
    assert message in result.output
