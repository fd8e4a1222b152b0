"""Hand checks: what a technician checks by hand and eye."""
