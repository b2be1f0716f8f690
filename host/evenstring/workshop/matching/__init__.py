"""Strings of alike cells out of a batch of measured ones: a stated criterion, solved exactly or with a bound."""
