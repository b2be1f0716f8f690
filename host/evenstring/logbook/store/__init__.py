"""The logbook on disk: one SQLite file that indexes recordings and keeps what was found in them."""
