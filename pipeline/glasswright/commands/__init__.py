"""The commands, one a module; each is loaded only to run it."""
