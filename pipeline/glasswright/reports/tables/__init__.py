"""The ledger for other programs: tables of measurements and verdicts, and a night as test results."""
