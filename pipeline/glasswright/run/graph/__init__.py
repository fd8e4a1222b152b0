"""Which steps run for what, on what."""
