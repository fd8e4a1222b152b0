"""What hands and eyes find."""
