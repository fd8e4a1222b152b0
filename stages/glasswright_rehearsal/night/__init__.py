"""What a rehearsed night is made of, and how it is written."""
