"""Pure: from many recordings to trends, dates on which something changed, and warnings that stand."""
