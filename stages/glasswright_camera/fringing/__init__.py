"""Red and blue against green."""
