# What the firmware asks of `micropython`, for a run under CPython.


def const(value):
    return value


def kbd_intr(_):
    pass


def heap_lock():
    return 1


def heap_unlock():
    return 0
