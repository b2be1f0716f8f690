"""Commands: what makes or turns files."""
