"""Shadows of dust, fungus and scratches on flat shots."""
