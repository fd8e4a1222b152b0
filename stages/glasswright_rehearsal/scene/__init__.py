"""Models of lens, chart, light and sensor."""
