"""Tickets: one visit of one lens."""
