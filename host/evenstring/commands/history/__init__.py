"""Commands for what a pack does over months."""
