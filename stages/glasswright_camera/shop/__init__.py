"""A shop's own files: the first stand, card and plan, and tickets made from raw files."""
