"""Light where there should be none."""
