"""Doing the steps, in this process or others."""
