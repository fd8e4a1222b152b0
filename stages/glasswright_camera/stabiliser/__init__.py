"""What the stabiliser is worth in stops."""
