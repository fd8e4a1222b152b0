"""Ledgers of a past that was never shot."""
