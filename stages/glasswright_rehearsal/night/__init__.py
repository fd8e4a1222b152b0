"""Plan a rehearsed night and write its files."""
