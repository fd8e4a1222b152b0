"""Veiling glare."""
