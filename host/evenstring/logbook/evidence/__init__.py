"""A pack's history as evidence: evidence.json, a page and a PDF made from it alone; and whether it still holds."""
