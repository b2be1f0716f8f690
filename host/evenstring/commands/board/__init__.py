"""Commands: what talks to a board."""
