"""Whether the aperture closes to what its markings promise, and each time alike."""
