"""Render frames from the parameters of a scene, and compute the true values of its measurands."""
