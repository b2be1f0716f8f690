# What the firmware uses of the module `micropython`, for CPython.


def const(value):
    return value


def native(function):
    return function


def kbd_intr(_character):
    pass
