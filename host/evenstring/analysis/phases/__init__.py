"""When did the string rest, charge and ride?"""
