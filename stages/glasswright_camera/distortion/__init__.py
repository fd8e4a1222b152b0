"""Geometric distortion."""
