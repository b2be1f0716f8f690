"""What happens to a simulated pack: a duty cycle through the engine, or years of a daily habit."""
