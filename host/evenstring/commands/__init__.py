"""One module a command; the only place, with the live view, that writes to the terminal."""
