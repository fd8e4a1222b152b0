"""Checks of the shooting: evenness and steadiness of the light."""
