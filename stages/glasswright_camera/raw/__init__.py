"""Raw files and pictures, from bytes to a mosaic of sensor values."""
