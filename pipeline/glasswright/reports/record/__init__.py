"""The record that goes with a lens: what it says, its fingerprint, its pages, and whether a file is still one."""
