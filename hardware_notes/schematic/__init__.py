"""The reference board as a description in Python: net list, parts list, drawings and checks all come from it."""
