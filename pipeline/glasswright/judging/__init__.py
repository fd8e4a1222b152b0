"""Judging: cards, decision rules, verdicts. Pure functions of what was measured."""
