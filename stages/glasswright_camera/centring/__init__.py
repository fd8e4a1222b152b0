"""Tilt, decentring, coma and curvature of the field."""
