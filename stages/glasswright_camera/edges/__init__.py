"""Edge measurements of every disc and slanted edge of a shot."""
