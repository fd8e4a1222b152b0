"""How a shot was taken: whether its light was even and steady."""
