"""Focus offset and autofocus from the inclined board."""
