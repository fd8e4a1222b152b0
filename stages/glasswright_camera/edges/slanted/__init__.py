"""MTF50 at the straight slanted edges of a chart."""
