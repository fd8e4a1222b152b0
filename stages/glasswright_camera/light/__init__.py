"""Flats, darks and what they say of light and sensor."""
