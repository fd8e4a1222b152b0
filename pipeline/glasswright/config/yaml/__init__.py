"""YAML as data: strict reading, and editing that keeps comments."""
