"""Raw files and pictures as cameras write them."""
