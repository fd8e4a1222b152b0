"""What is before the sensor and the sensor itself: lens, chart, light."""
