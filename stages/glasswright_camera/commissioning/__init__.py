"""Commissioning: measure the constants of a stand (camera, print and light) and write them into its file."""
