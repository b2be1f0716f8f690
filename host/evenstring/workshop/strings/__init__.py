"""Several strings of one vehicle: a report each, and one page on which they stand side by side."""
