"""The cost of a ticket does not depend on the size of the ledger: it is read by index only."""

from glasswright.ledger import Ledger
from glasswright.ledger.store import Database

GROWING = ("attempt", "judgement", "link", "manifest", "measurement", "outcome", "raw_file", "shot_content", "verdict")


def test_a_night_scans_no_table(bench, capsys, monkeypatch):
    for number in (1, 2):
        bench.add_ticket(number)
    cards = ("--cards", str(bench.folder / "cards"), "--serial")
    bench.run(capsys, *cards)
    bench.add_ticket(3)
    bench.write("night/T-0002/ticket.yaml", "ticket: [")
    asked = {}
    rows, begin, end = Database.rows, Ledger.begin_run, Ledger.end_run

    def begin_run(ledger, *rest):
        monkeypatch.setattr(
            Database, "rows", lambda self, sql, *values: (asked.update({sql: values}), rows(self, sql, *values))[1]
        )
        return begin(ledger, *rest)

    def end_run(ledger, *rest, **options):
        monkeypatch.setattr(Database, "rows", rows)
        return end(ledger, *rest, **options)

    monkeypatch.setattr(Ledger, "begin_run", begin_run)
    monkeypatch.setattr(Ledger, "end_run", end_run)
    code, summary = bench.run(capsys, *cards)
    assert code == 13
    assert {each["number"]: each["verdict"] for each in summary["tickets"]}.keys() == {"T-0001", "T-0003"}
    assert len(asked) > 20
    with bench.ledger() as ledger:
        read_through = [
            f"{detail}: {sql}"
            for sql, values in asked.items()
            if sql.lstrip().startswith("SELECT") and not sql.endswith("LIMIT 1")
            for *_, detail in ledger.database.rows(f"EXPLAIN QUERY PLAN {sql}", *values)
            if any(f"SCAN {table}" in detail for table in GROWING)
        ]
    assert read_through == []


def test_an_unreadable_ticket_is_identified_by_its_folder_or_files(bench, capsys):
    bench.add_ticket(1)
    bench.add_ticket(2)
    bench.run(capsys, "--serial")
    # under another name, its files are what is left of it
    (bench.folder / "night/T-0001").rename(bench.folder / "night/moved")
    for folder in ("moved", "T-0002"):
        bench.write(f"night/{folder}/ticket.yaml", "- nothing")
    bench.add_ticket(3)
    bench.run(capsys, "--serial")
    with bench.ledger() as ledger:
        pending = {number: ledger.why_pending(number) for number in ("T-0001", "T-0002", "T-0003")}
        states = ledger.latest_tickets()
    assert {each.record.ticket.number: each.pending for each in states} == pending
    assert "could not read this ticket" in pending["T-0001"]
    assert "could not read this ticket" in pending["T-0002"]
    assert pending["T-0003"] == ""
