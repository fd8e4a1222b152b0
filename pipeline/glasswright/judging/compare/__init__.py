"""Two visits of a lens, or two lenses, side by side."""
