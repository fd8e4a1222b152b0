"""Pure mathematics with its sources; reads nothing."""
