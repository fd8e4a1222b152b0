"""Blur by wave optics."""
