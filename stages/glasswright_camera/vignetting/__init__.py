"""Light lost towards the corners."""
