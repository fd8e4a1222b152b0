"""Recognition of a frame's role from its pixels."""
