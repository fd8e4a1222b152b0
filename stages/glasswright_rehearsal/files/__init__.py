"""Write raw files and pictures in the formats of cameras."""
