"""What a simulated pack is made of, and the arithmetic of one stretch of time."""
