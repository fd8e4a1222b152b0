"""Which fault the measurements look like."""
