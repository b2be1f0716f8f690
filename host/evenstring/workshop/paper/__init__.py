"""The sheet for the owner: one A4 and an appendix, typeset from report.json."""
