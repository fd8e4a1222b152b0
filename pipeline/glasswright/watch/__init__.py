"""Watching the stand: control charts of a reference lens, and what they mean for a night's verdicts."""
