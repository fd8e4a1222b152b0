"""Adjustments that results suggest: shims, flange distance, direction of decentring."""
