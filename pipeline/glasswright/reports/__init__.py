"""Pages, records and tables of what the ledger holds."""
