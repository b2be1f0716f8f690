"""What do the readings say as they are: spread, visits beyond a limit, shared leads, a profile that does not fit?"""
