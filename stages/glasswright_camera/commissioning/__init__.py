"""Commissioning: what turns a camera, a print and a light into a stand whose numbers are known."""
