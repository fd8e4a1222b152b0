"""Benefit of the stabiliser in stops."""
