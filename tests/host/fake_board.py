"""The board's end of a pseudo-terminal, for tests of what talks to a port; and looks at what was recorded."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from evenstring.wire.encode import Counter, message
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import Frame


def marks_of(path: Path) -> tuple[list[Frame], StreamDecoder]:
    decoder = StreamDecoder()
    frames = decoder.feed(path.read_bytes()).frames
    return [f for f in frames if f.name.startswith("MARK")], decoder


def started(board: FakeBoard) -> Callable[[], bool]:
    """Whether the board was told to start: before that, opening the port throws away what is in it."""
    return lambda: any(f.name == "START" for f in board.seen)


def until(true: Callable[[], bool], seconds: float = 8.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "took too long"
        time.sleep(0.01)


class FakeBoard:
    """The board's end of a pty: answers commands, and sends what the test says."""

    def __init__(self, link: Path) -> None:
        self.master, self.line = pty.openpty()
        tty.setraw(self.line)
        self.link = link
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self.line))
        self.seen: list[Frame] = []
        self.deaf_to: set[str] = set()
        self._counter = Counter()
        self._closed = False
        self._sending = threading.Lock()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        decoder = StreamDecoder()
        with contextlib.suppress(OSError):
            while not self._closed:
                if not select.select([self.master], [], [], 0.02)[0]:
                    continue
                for frame in decoder.feed(os.read(self.master, 4096)).frames:
                    self.seen.append(frame)
                    if frame.name not in self.deaf_to:
                        self.send(message("REPLY", 0, 100, to_code=frame.code, to_seq=frame.seq, status=0, detail=""))

    def send(self, data: bytes) -> None:
        view = memoryview(data)
        with self._sending:
            while view:
                view = view[os.write(self.master, view) :]

    def unplug(self) -> None:
        if not self._closed:
            self._closed = True
            self._thread.join()  # a read under way would keep the line open
            self.link.unlink(missing_ok=True)
            os.close(self.line)
            os.close(self.master)
