"""One section of the page each: words, figures and picture together."""
