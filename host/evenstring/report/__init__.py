"""report.json and the page made from it."""
