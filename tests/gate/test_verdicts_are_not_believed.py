"""Forged judgements with new hashes: the gate judges from the measurements and reports the difference."""

import dataclasses
import hashlib
import json
from contextlib import closing

import pytest

from glasswright.ledger import Ledger, chain
from glasswright.ledger.head import HeadFile, read_head
from glasswright.ledger.judgements import judgement_values
from glasswright.ledger.store import Database
from glasswright.ledger.verdict import Verdict
from support.gate_shop import STAND, Shop
from support.ledger_tampering import unguarded
from support.ledger_toys import good_outcomes, run_record, sharpness

FORGED = "the verdicts kept of ticket T-1 do not follow from its measurements: "


def failing(number):
    return [sharpness(0.1, ticket=number), *good_outcomes(number)[1:]]


@pytest.fixture
def shop(tmp_path, capsys):
    """A lens that fails, judged."""
    made = Shop(tmp_path)
    made.night(make=failing)
    assert made.judge(capsys)[0] == 10
    return made


def passed(judgement):
    verdicts = tuple(dataclasses.replace(each, verdict=Verdict.PASS) for each in judgement.verdicts)
    return dataclasses.replace(judgement, verdict=Verdict.PASS, verdicts=verdicts)


def write_over(path, judgement):
    """Change the last judgement's rows, its hash and its run's digest."""
    values, verdicts = judgement_values(judgement)
    names = ("ticket", "manifest", "card", "stand", "judge_version", "verdict", "reasons", "verdicts", "hash")
    with unguarded(path) as connection:
        (number,) = connection.execute("SELECT max(id) FROM judgement").fetchone()
        connection.execute(
            f"UPDATE judgement SET {', '.join(f'{n} = ?' for n in names)} WHERE id = ?", (*values, number)
        )
        connection.execute("DELETE FROM verdict WHERE judgement = ?", (number,))
        marks = ", ".join("?" * (len(verdicts[0]) + 1))
        connection.executemany(f"INSERT INTO verdict VALUES ({marks})", [(number, *each) for each in verdicts])
    _link_anew(path)


def _link_anew(path):
    """Recompute every link of the chain, and the head."""
    with Ledger.open_for_reading(path) as ledger:
        database, before, digest = ledger.database, {}, ""
        tables, links = chain.columns_by_table(database), []
        for number, made_at, text, previous in database.rows("SELECT id, made_at, counts, previous FROM link"):
            counts = json.loads(text)
            previous = digest or previous
            digest = chain._digest(database, tables, before, counts, (made_at, text, previous))
            links.append((previous, digest, number))
            before = counts
    with unguarded(path) as connection:
        connection.executemany("UPDATE link SET previous = ?, digest = ? WHERE id = ?", links)
    with closing(Database(path, writable=False)) as database:
        HeadFile(path).write(read_head(database))


def test_changed_verdicts_with_new_hashes_release_nothing(shop, capsys, tmp_path):
    with Ledger.open_for_reading(shop.ledger) as ledger:
        forged = passed(ledger.latest_judgement("T-1"))
    write_over(shop.ledger, forged)
    with Ledger.open_for_reading(shop.ledger) as ledger:
        assert ledger.verify().damage == ()
        assert ledger.latest_judgement("T-1").verdict is Verdict.PASS
    for words in (
        ("gate", "T-1"),
        ("record", "T-1", "--out", tmp_path / "r.pdf"),
        ("export", "--out", tmp_path / "out"),
        ("pages", "--out", tmp_path / "pages", "--workers", "1"),
    ):
        code, _, err = shop.run(words[0], *words[1:], "--ledger", shop.ledger, capsys=capsys)
        assert code == 21, words
        assert f"{FORGED}measure_mtf50.centre.sharp_cy_per_px at 50 mm f/2 is kept as PASS but is FAIL" in err
        assert "restore the ledger from a backup" in err
    assert shop.judge(capsys)[0] == 10
    assert shop.gate(capsys)[0] == 10


@pytest.mark.parametrize("change", ["passed", "numbers", "fewer", "none"])
def test_an_added_judgement_releases_nothing(shop, capsys, change):
    """A row added with the ledger's own functions needs no new hash."""
    with Ledger.open_for_writing(shop.ledger) as ledger:
        kept = ledger.latest_judgement("T-1")
        forged = {
            "passed": passed(kept),
            "numbers": dataclasses.replace(
                kept, verdicts=(dataclasses.replace(kept.verdicts[0], lower=0.01), *kept.verdicts[1:])
            ),
            "fewer": dataclasses.replace(passed(kept), verdicts=passed(kept).verdicts[1:]),
            "none": dataclasses.replace(kept, verdicts=()),
        }[change]
        run = ledger.begin_run(run_record())
        ledger.add_judgements(run, [forged])
        ledger.end_run(run, {})
        assert ledger.verify().damage == ()
    code, _, err = shop.gate(capsys)
    assert (code, FORGED in err) == (21, True)


def test_a_judgement_of_other_measurements_or_rules_is_only_judged_again(shop, capsys):
    with Ledger.open_for_writing(shop.ledger) as ledger:
        kept = ledger.latest_judgement("T-1")
        run = ledger.begin_run(run_record())
        for change in ({"manifest": "ab"}, {"judge_version": kept.judge_version - 1}):
            ledger.add_judgements(run, [dataclasses.replace(passed(kept), **change)])
        ledger.end_run(run, {})
    assert shop.gate(capsys)[0] == 10


def test_a_lens_that_was_not_judged_is_incomplete(tmp_path, capsys):
    shop = Shop(tmp_path)
    shop.night()
    code, out, _ = shop.gate(capsys)
    assert code == 12
    assert "  - the ticket has not been judged: run `glasswright judge`" in out


def keep_with_stand(shop, text):
    """Keep the ticket's judgement again, as one by a stand file with this text."""
    with Ledger.open_for_writing(shop.ledger) as ledger:
        kept = ledger.latest_judgement("T-1")
        record = run_record()
        stand = dataclasses.replace(record.documents[-1], text=text, sha256=hashlib.sha256(text.encode()).hexdigest())
        run = ledger.begin_run(dataclasses.replace(record, documents=(stand,)))
        ledger.add_judgements(run, [dataclasses.replace(kept, stand=stand.sha256)])
        ledger.end_run(run, {})


def test_a_section_of_a_missing_plugin_does_not_stop_the_gate(tmp_path, capsys):
    """Only the engine's keys of the stored stand file are read, since verdicts need no others."""
    shop = Shop(tmp_path)
    shop.night()
    shop.judge(capsys)
    keep_with_stand(shop, STAND + "an_older_plugin: {what: 7, was: [read, then]}\n")
    assert shop.gate(capsys)[0] == 0


def test_a_stored_text_that_is_unreadable_leaves_the_lens_incomplete(tmp_path, capsys):
    shop = Shop(tmp_path)
    shop.night()
    shop.judge(capsys)
    keep_with_stand(shop, STAND + "watch: 3\n")
    code, out, _ = shop.gate(capsys, "--json")
    (reason,) = json.loads(out)["reasons"]
    assert code == 12
    assert reason.startswith(
        "this program cannot read the card or stand file of its judgement (the kept stand `stand` ("
    )
    assert reason.endswith("): correct it and run `glasswright judge`")
