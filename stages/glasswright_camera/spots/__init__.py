"""Shadows of dust, fungus and scratches."""
