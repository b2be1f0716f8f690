"""A file held by one writer at a time; the system lets it go when the writer ends, however that comes about."""

from __future__ import annotations

from typing import BinaryIO

__all__ = ["hold"]

try:
    import fcntl

    def hold(file: BinaryIO) -> bool:
        """Whether the open file is now this writer's alone."""
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # a file system without locks: nothing can be held there
            return True
        return True

except ImportError:
    import msvcrt

    _FAR = 1 << 40  # a byte that no recording reaches: locks of this system keep others from reading, too

    def hold(file: BinaryIO) -> bool:
        """Whether the open file is now this writer's alone."""
        try:
            at = file.seek(0, 1)
            file.seek(_FAR)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]  # there, on that system
            file.seek(at)
        except OSError:
            return False
        return True
