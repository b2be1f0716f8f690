"""Scans of a recording as arrays, a chunk at a time; and how very many of them are held in bounded memory."""
