"""The interface for plugins, exported by `glasswright`."""
