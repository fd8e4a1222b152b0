"""The faults a rehearsal can draw, of the lens and of the shooting."""
