"""Ledgers with a rehearsed history, without shots."""
