"""Tuning: limits for a lens model from what the ledger holds of it. Proposes; changes no card unasked."""
