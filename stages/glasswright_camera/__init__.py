"""The camera bench: stages that measure a lens from raw shots of the stand's charts and light sources."""
