"""Commands: what a technician at a bench uses."""
