"""What a new stand's owner shoots before the first lens: every step of commissioning, with known truth."""
