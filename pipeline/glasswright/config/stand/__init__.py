"""Stand files: what the stand is."""
