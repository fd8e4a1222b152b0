"""The fit of a blurred edge: model, prior and solver."""
