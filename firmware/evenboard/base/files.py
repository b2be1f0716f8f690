# Small files that a power cut must leave whole: written beside, read back, renamed. No OSError leaves here.

import os


# What the file holds, b"" when it cannot be read.
def contents(path, most=8192):
    try:
        with open(path, "rb") as f:
            return f.read(most)
    except OSError:
        return b""


# False: what stood at `path` stands there still.
def put(path, data):
    new = path + ".new"
    try:
        with open(new, "wb") as f:
            f.write(data)
    except OSError:
        return False
    return contents(new, len(data) + 1) == data and _renamed(new, path)


# `new` becomes `path`, and what stood there `.old`: at any moment `path` is one of them, whole.
def replace(new, path):
    before = contents(path)
    if before and not put(path + ".old", before):
        return False
    return _renamed(new, path)


# True when nothing stands there now.
def removed(path):
    try:
        os.remove(path)
    except OSError:
        return not contents(path)
    return True


def _renamed(new, path):
    try:
        os.rename(new, path)
    except OSError:
        return False
    return True
