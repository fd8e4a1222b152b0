"""From a plan and tickets to outcomes."""
