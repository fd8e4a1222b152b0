"""Accuracy and repeatability of the aperture."""
