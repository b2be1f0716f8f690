"""What draws: axes, lines reduced to what can be seen, SVG, and the level line."""
