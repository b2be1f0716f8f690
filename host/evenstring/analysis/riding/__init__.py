"""How far can this string be ridden, and what did rides show?"""
