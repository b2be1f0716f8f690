"""Drawings of the pages, from the board's description and the reference design."""
