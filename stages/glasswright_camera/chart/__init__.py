"""Finding the chart and the ramp in a frame."""
