"""The toy plugin for all tests of the engine."""

from support.toy_install import bench, toy_site

__all__ = ["bench", "toy_site"]
