"""Faults of lens and shooting that a rehearsal can render."""
