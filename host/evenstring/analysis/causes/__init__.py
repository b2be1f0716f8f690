"""Why does a group lag, how much, and how surely?"""
