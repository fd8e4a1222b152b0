"""Checking values against models, with messages that name place and remedy."""
