"""What a frame is a picture of."""
