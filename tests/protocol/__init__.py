"""The protocol: framing, vectors, generated files."""
