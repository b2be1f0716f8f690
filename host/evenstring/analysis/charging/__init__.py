"""How did a charge end, and how is the charger set?"""
