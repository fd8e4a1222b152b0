"""The study of a stand: from the ledger's tickets to the stand file."""

import dataclasses
import json

import numpy as np
import pytest
import yaml

from glasswright.commands.main import run_command
from glasswright.commands.study import _print_changes
from glasswright.config import load_stand, load_ticket
from glasswright.config.schema.plugins import load_plugins
from glasswright.config.yaml.round_trip import edit_yaml
from glasswright.errors import ConfigError
from glasswright.ledger import Ledger
from glasswright.statistics.crossed import Reading, arrange
from glasswright.study.evidence import collect, name_fittings
from support.ledger_toys import F2, F4, good_outcomes, run_record, sharpness, state, ticket_record, write_card
from support.watch_toys import night, write_ticket

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
STAND = """\
# the north bench, as it was set up in March
stand: north-bench
bodies: [Ostrel D7]

# declared for now
reproducibility:
  measure_mtf50.*: {relative_u: 0.01, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}   # until the study
  measure_vignetting.*: {u: 0.02, freedom: 1000, with_repeats: true, origin: "declared, 2026-03, K. Moreau"}
"""


def crossed_values(shape, seed=5, lens=0.02, fitting=0.004, repeat=0.001):
    rng = np.random.default_rng(seed)
    lenses, fittings, repeats = shape
    return (
        0.3
        + rng.normal(0, lens, (lenses, 1, 1))
        + rng.normal(0, fitting, (lenses, fittings, 1))
        + rng.normal(0, repeat, (lenses, fittings, repeats))
    )


def write_study(path, values, **others):
    """Write one ticket for each value; fittings are on different nights."""
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        for (lens, fitting, repeat), value in np.ndenumerate(values):
            if np.isnan(value):
                continue
            number = f"S-{lens}{fitting}{repeat}"
            outcomes = [sharpness(float(value), F2, ticket=number), sharpness(float(value) + 0.05, F4, ticket=number)]
            fields = {"phase": "study", "serial": f"C50-{lens}", "fitting": str(fitting + 1), **others}
            record = ticket_record(outcomes, number, **fields)
            record = dataclasses.replace(record, nights=(night(fitting).isoformat(),))
            ledger.commit_ticket(run, record, outcomes)
        ledger.end_run(run, {})


class Shop:
    """A ledger, a stand file, cards."""

    def __init__(self, folder):
        self.ledger, self.stand, self.cards = folder / "bench.ledger", folder / "stand.yaml", folder / "cards"
        self.stand.write_text(STAND)
        write_card(self.cards / "corvane.yaml", [f"{{measure: {SHARP}, min: 0.25, at: {{f_number: 2}}}}"])

    def run(self, capsys, *arguments):
        capsys.readouterr()
        code = run_command([str(each) for each in arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    def study(self, capsys, *more):
        files = ("--ledger", self.ledger, "--stand", self.stand)
        return self.run(capsys, "study", *files, "--by", "K. Moreau", *more)

    def spread(self, table="reproducibility"):
        return getattr(load_stand(self.stand, load_plugins()), table)[SHARP]


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def test_a_study_is_shown_and_written_only_on_request(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 3, 2)))
    code, out, _ = shop.study(capsys, "--cards", shop.cards)
    assert code == 0
    assert "stand north-bench: 30 study tickets" in out
    assert "5 x 3 x 2" in out
    _, out_of_all, _ = shop.study(capsys, "--cards", shop.cards, "-v")
    for field in json.loads(shop.study(capsys, "--json", "--cards", shop.cards)[1])["fields"]:
        low, high = field["intervals"]["categories"]
        assert f" {field['categories']:.1f} ({low:.1f} to {high:.1f}) " in out_of_all
    assert f"+  {SHARP}: {{u: " in out
    assert "nothing was written: use --write" in out
    assert shop.stand.read_text() == STAND


def test_writing_keeps_all_else_and_notes_the_origin(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 3, 2)))
    code, out, _ = shop.study(capsys, "--write")
    assert code == 0
    assert f"{shop.stand}: written; `glasswright judge --adopt-stand` applies it" in out
    text = shop.stand.read_text()
    added = [line for line in text.splitlines() if line not in STAND.splitlines()]
    assert [line for line in STAND.splitlines() if line not in text.splitlines()] == []
    # one entry in each table; what does not scatter at all (a count, the chart's size) teaches nothing
    assert [line.split(":")[0] for line in added] == ["repeatability", f"  {SHARP}", f"  {SHARP}"]
    assert "not studied: measure_mtf50.magnification_frac at 50 mm f/2: has no scatter" in out
    spread = shop.spread()
    assert 0.002 < spread.u < 0.008
    assert spread.origin.startswith(
        "study of 2026-01-01 to 2026-01-03, K. Moreau; 5 lenses x 3 fittings x 2 repeats, tickets S-000 to S-421 (30); "
        "largest of 2 settings, Corvane 50 mm f/2 at 50 mm f/"
    )
    again = shop.spread("repeatability")
    assert 0.0005 < again.u < 0.002
    assert "pooled over 2 settings, 30 degrees of freedom" in again.origin


def test_many_changes_are_listed_in_part(capsys):
    changes = "\n".join(f"+ line {k}" for k in range(30))
    _print_changes(changes, verbose=False)
    assert capsys.readouterr().out.splitlines()[-2:] == ["+ line 19", "10 more lines of changes: -v shows all"]
    _print_changes(changes, verbose=True)
    assert capsys.readouterr().out == changes + "\n"


def test_writing_twice_changes_nothing_more(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 3, 2)))
    shop.study(capsys, "--write")
    once = shop.stand.read_text()
    code, out, _ = shop.study(capsys, "--write")
    assert code == 0
    assert "the stand file already has these numbers" in out
    assert shop.stand.read_text() == once


def test_a_file_with_folded_lines_keeps_them(shop, capsys):
    origin = "provisional: declared before the stand's reproducibility study, 2026-03, K. Moreau"
    spreads = {"measure_mtf50.*": {"relative_u": 0.01, "origin": origin}}
    folded = yaml.safe_dump(
        {"stand": "north-bench", "bodies": ["Ostrel D7"], "reproducibility": spreads}, sort_keys=False
    )
    assert len(folded.splitlines()) == 8  # the origin is folded
    shop.stand.write_text(folded)
    write_study(shop.ledger, crossed_values((3, 3, 2)))
    assert shop.study(capsys, "--write")[0] == 0
    text = shop.stand.read_text()
    assert [line for line in folded.splitlines() if line not in text.splitlines()] == []
    assert shop.spread().u > 0


def test_a_new_study_replaces_the_old_numbers(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 3, 2)))
    shop.study(capsys, "--write")
    before = shop.spread().u
    write_study(shop.ledger, crossed_values((5, 3, 2), fitting=0.02))
    shop.study(capsys, "--write")
    assert shop.spread().u > 2 * before
    assert shop.stand.read_text().count(f"  {SHARP}:") == 2


def test_verdicts_then_include_remounting_the_lens(shop, capsys):
    write_study(shop.ledger, crossed_values((8, 4, 2), fitting=0.02))
    write_ticket(shop.ledger, "T-1", night(9), good_outcomes("T-1"))

    def judged():
        files = ("--ledger", shop.ledger, "--stand", shop.stand, "--cards", shop.cards, "--ticket", "T-1")
        _, out, _ = shop.run(capsys, "judge", *files, "--json")
        return json.loads(out)["tickets"][0]["verdicts"][0]

    before = judged()
    assert before["verdict"] == "PASS"  # 0.30, limit 0.25, u of 0.006 and 1 %
    shop.study(capsys, "--cards", shop.cards, "--write")
    after = judged()
    # the result does not say of how many shots it is, so the scatter of one comes in whole
    parts = (0.006, shop.spread().u, shop.spread("repeatability").u)
    assert after["u"] == pytest.approx(np.linalg.norm(parts), rel=1e-6)
    assert after["u"] > 2 * before["u"]


def test_json_holds_every_part(shop, capsys):
    values = crossed_values((5, 3, 2))
    write_study(shop.ledger, values)
    code, out, err = shop.study(capsys, "--json", "--cards", shop.cards)
    data = json.loads(out)
    assert (code, err) == (0, "nothing was written: use --write\n")
    (field,) = [each for each in data["fields"] if each["at"] == "50 mm f/2"]
    assert field["mean"] == pytest.approx(values.mean())
    assert field["limits"] == [0.25, None]
    parts = field["analysis_of_variance"]
    # one limit: three standard deviations over the way from the mean to it
    assert field["gauge_of_tolerance_pct"] == pytest.approx(300 * parts["gauge"] / (values.mean() - 0.25))
    assert parts["total"] == pytest.approx(np.hypot(parts["gauge"], parts["lens"]))
    assert field["average_and_range"]["mean_range"] == pytest.approx(np.ptp(values, axis=2).mean())
    low, high = field["intervals"]["gauge"]
    assert low < parts["gauge"] < high
    (open_field,) = [each for each in data["fields"] if each["at"] == "50 mm f/4"]
    assert open_field["gauge_of_tolerance_pct"] is None


def test_a_tolerance_of_two_limits_is_compared_with_six_sigma(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 3, 2)))
    write_card(shop.cards / "corvane.yaml", [f"{{measure: {SHARP}, min: 0.25, max: 0.35, at: {{f_number: 2}}}}"])
    _, out, _ = shop.study(capsys, "--json", "--cards", shop.cards)
    field = json.loads(out)["fields"][0]
    assert field["gauge_of_tolerance_pct"] == pytest.approx(6000 * field["analysis_of_variance"]["gauge"])


def test_one_repeat_gives_no_repeatability_with_the_reason(shop, capsys):
    write_study(shop.ledger, crossed_values((5, 4, 1)))
    _, out, _ = shop.study(capsys, "--write")
    assert "no repeats" in out
    stand = load_stand(shop.stand, load_plugins())
    assert stand.repeatability == {}
    assert "includes the repeatability (no repeats)" in stand.reproducibility[SHARP].origin


def test_undetected_reproducibility_is_not_taken_as_zero(shop, capsys):
    values = crossed_values((5, 3, 4), fitting=0.0, repeat=0.004)
    values -= values.mean(axis=(0, 2), keepdims=True) - values.mean()  # the fittings' means are the same
    write_study(shop.ledger, values)
    _, out, _ = shop.study(capsys, "--json", "--write")
    field = json.loads(out)["fields"][0]
    assert field["analysis_of_variance"]["reproducibility"] < 1e-3
    if field["analysis_of_variance"]["reproducibility"] == 0.0:
        assert "upper end of the interval" in shop.spread().origin
    assert shop.spread().u > 0


def test_rehearsed_tickets_are_marked_and_real_ones_preferred(shop, capsys):
    write_study(shop.ledger, crossed_values((3, 3, 2)), rehearsed=True)
    _, out, _ = shop.study(capsys)
    assert out.startswith("REHEARSED: all of these frames were rendered.")
    assert 'origin: "REHEARSED, not measured: study of' in out
    made = [state(phase="study", serial=f"C-{lens}", number=f"T-{lens}", rehearsed=lens == 0) for lens in range(3)]
    evidence = collect(made, "north-bench", ["*"])
    assert [each.ticket for each in evidence.left_out] == ["T-0"]
    assert not evidence.rehearsed


NOT_CROSSED = (
    f"no field can be studied; {SHARP} at 50 mm f/2 needs at least 2 lenses in the same 2 or more fittings: "
    "found 1 lens (C50-0) and 2 fittings (1, 2)"
)
ERRORS = [
    (("--measure", "no.such"), "none of the study's tickets has any of these fields: correct --measure or --cards"),
    (("--ticket", "S-999"), "no ticket of phase `study` is S-999; there is S-000, S-001"),
    (("--measure", SHARP, "--ticket", "S-000", "--ticket", "S-010"), NOT_CROSSED),
    (("--by", "two\nlines"), "cannot be written (`"),
]


@pytest.mark.parametrize(("more", "expected"), ERRORS)
def test_fields_that_cannot_be_studied_are_reported(shop, capsys, more, expected):
    write_study(shop.ledger, crossed_values((2, 2, 2)))
    code, _, err = shop.study(capsys, *more)
    assert code == 2
    assert expected in err
    assert shop.stand.read_text() == STAND


def test_the_message_without_study_tickets_names_what_to_shoot(shop, capsys):
    write_ticket(shop.ledger, "T-1", night(1), good_outcomes("T-1"))
    code, _, err = shop.study(capsys)
    assert code == 2
    assert "the ledger has no ticket of phase `study` for stand `north-bench`: shoot some lenses, each mounted" in err


def test_a_stand_file_that_changed_meanwhile_is_not_overwritten(shop, capsys, monkeypatch):
    write_study(shop.ledger, crossed_values((3, 3, 2)))
    changed = STAND + "# a colleague's line\n"
    real = edit_yaml

    def slow(text, change):
        shop.stand.write_text(changed)
        return real(text, change)

    monkeypatch.setattr("glasswright.study.adopting.edit_yaml", slow)
    code, _, err = shop.study(capsys, "--write")
    assert code == 2
    assert f"{shop.stand}: the stand file was changed in the meantime: run the command again" in err
    assert shop.stand.read_text() == changed


def test_a_study_ticket_of_a_doubtful_identity_is_left_out():
    made = state(phase="study", serial="C-1", number="S-1")
    doubtful = dataclasses.replace(made.record.ticket, caveats=("identity_contradiction",))
    made = dataclasses.replace(made, record=dataclasses.replace(made.record, ticket=doubtful))
    (left_out,) = collect([made], "north-bench", ["*"]).left_out
    assert left_out.why == "its files name another lens or body than ticket.yaml"


def test_tickets_of_another_stand_are_not_studied():
    (left_out,) = collect([state(phase="study", serial="C-1", number="S-1")], "south-bench", ["*"]).left_out
    assert left_out.why == "it was shot on stand `north-bench`"


# --- which fitting a ticket belongs to, and balance -------------------------------------------------------------------


def visit(number, lens, **others):
    return state(number=number, phase="study", serial=lens, **others)


def test_fittings_are_read_from_the_ticket_or_counted():
    visits = [
        visit("A", "1", fitting="monday"),
        visit("B", "1", fitting="monday", operator="K. Moreau"),
        visit("C", "2"),
    ]
    assert name_fittings(visits) == {"A": "monday", "B": "K. Moreau monday", "C": ""}
    counted = [visit("A", "1"), visit("B", "2"), visit("C", "1"), visit("D", "1"), visit("E", "2")]
    assert name_fittings(counted) == {"A": "1", "B": "1", "C": "2", "D": "3", "E": "2"}
    (left_out,) = collect(visits, "north-bench", ["*"]).left_out
    assert left_out.ticket == "C"
    assert left_out.why.startswith("it names no fitting, but other tickets of the study do")


def readings(cells):
    return [
        Reading(lens=lens, fitting=fitting, ticket=f"{lens}{fitting}{place}", value=float(place))
        for (lens, fitting), count in cells.items()
        for place in range(count)
    ]


def test_every_reading_is_used_and_what_is_missing_is_counted(shop, capsys):
    cells = {(lens, fitting): 2 for lens in "abc" for fitting in "12"}
    cells |= {("a", "3"): 2, ("d", "1"): 2}
    found = arrange(readings(cells))
    assert (found.lenses, found.fittings, found.values.shape) == (("a", "b", "c", "d"), ("1", "2", "3"), (4, 3, 2))
    assert np.isnan(found.values).sum() == 8
    assert not found.is_complete
    # one of thirty lost: its repeat is, and nothing else
    values = crossed_values((5, 3, 2))
    values[2, 1, 1] = np.nan
    write_study(shop.ledger, values)
    code, out, _ = shop.study(capsys, "--write")
    assert code == 0
    assert "5 x 3 x 2, 1 missing" in out
    assert "x 2 repeats (1 missing), tickets" in shop.spread().origin
    assert shop.spread("repeatability").freedom == 28
    # averages and ranges need every reading
    data = json.loads(shop.study(capsys, "--json")[1])
    assert [each["average_and_range"] for each in data["fields"]] == [None, None]
    assert 0.0005 < shop.spread("repeatability").u < 0.002


def test_a_set_that_is_not_crossed_is_refused():
    reason = arrange(readings({("a", "1"): 2, ("b", "2"): 2}))
    assert reason == (
        "needs at least 2 lenses in the same 2 or more fittings: found 2 lenses (a, b) and 2 fittings (1, 2)"
    )
    assert "found 0 lenses (none)" in arrange([])


# --- ticket.yaml ------------------------------------------------------------------------------------------------------

TICKET = """\
ticket: S-1
lens: {{model: "Corvane 50 mm f/2", serial: "C50-1"}}
phase: {phase}
body: {{model: Ostrel D7}}
study: {study}
"""


def test_the_fitting_is_read_from_a_ticket(tmp_path):
    (tmp_path / "ticket.yaml").write_text(TICKET.format(phase="study", study='{operator: K. Moreau, fitting: "1"}'))
    note = load_ticket(tmp_path, ()).study
    assert (note.operator, note.fitting) == ("K. Moreau", "1")


@pytest.mark.parametrize(("phase", "study", "expected"), [
    ("release", '{fitting: "1"}', "`study` is read in phase `study` only, and this is phase `release`: correct one"),
    ("study", "{}", "is empty: give `fitting`, `operator` or both, or remove it"),
    ("study", "{fiting: a}", "unknown key; did you mean `fitting`?"),
])  # fmt: skip
def test_a_wrong_study_block_is_reported(tmp_path, phase, study, expected):
    (tmp_path / "ticket.yaml").write_text(TICKET.format(phase=phase, study=study))
    with pytest.raises(ConfigError, match=r"ticket\.yaml") as caught:
        load_ticket(tmp_path, ())
    assert expected in str(caught.value)
