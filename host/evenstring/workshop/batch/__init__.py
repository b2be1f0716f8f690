"""A folder of recordings and tables: a report each, one overview, labels. A batch that was killed goes on."""
