"""Commands: what a rider uses."""
