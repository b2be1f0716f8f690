"""The live view: what the string does now, in a terminal."""
