"""What is dangerous whatever it is called: heat, a drain, a group far behind. No cause is needed to see it."""
