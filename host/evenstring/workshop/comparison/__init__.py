"""Two recordings of one pack side by side, and whether a repair did what it should."""
