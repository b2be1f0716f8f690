"""The live side of the board in each single fault: simulated, and held to 60 % of every part's rating."""
