"""Render the shots of every commissioning step of a new stand, with known true values."""
