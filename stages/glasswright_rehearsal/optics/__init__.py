"""Blur as waves make it."""
