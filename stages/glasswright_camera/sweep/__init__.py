"""Sharpness over f-numbers and focal lengths, beside its ceiling."""
