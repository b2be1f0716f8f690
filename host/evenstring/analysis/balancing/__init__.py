"""Do the groups get even, how fast, and how much longer?"""
