"""What a table means, guessed from a sample of its rows. Pure: nothing here reads a file."""
