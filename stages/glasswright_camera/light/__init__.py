"""Flats and darks: evenness of the light, black level, gain and response of the sensor."""
