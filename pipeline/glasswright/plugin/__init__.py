"""All that a plugin may import; `glasswright` exports it."""
