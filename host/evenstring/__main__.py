"""`python -m evenstring` is the command `evenstring`."""

from evenstring.cli import main

main()
