"""Plans: how to measure."""
