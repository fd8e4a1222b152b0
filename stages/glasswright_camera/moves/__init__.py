"""From what was measured to what the bench would move: shims, flange distance, directions."""
