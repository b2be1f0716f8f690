"""What does all of it ask for?"""
