"""Frames: the message table, decoding and encoding. No I/O here."""
