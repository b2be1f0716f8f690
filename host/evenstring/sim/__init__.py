"""Packs whose truth is known."""
