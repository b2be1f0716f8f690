"""Recordings out, in formats of others: tables, and one file a group."""
