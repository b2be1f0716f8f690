"""A recording being written: raw bytes reach the disk before anything looks at them.

Marks of the host go between frames, never into one: they wait until the bytes on disk end with a delimiter.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from evenstring.errors import InputError
from evenstring.io.files import open_new, open_to_add, refuse_existing
from evenstring.io.lock import hold
from evenstring.wire.encode import Counter, message
from evenstring.wire.stream import Batch, StreamDecoder

__all__ = ["Forwarder", "RecordingWriter"]

_SYNC_S = 1.0  # longest time that bytes may wait in the operating system


class RecordingWriter:
    """Writes one recording.

    Args:
        path: file to make, or to add to with `append`.
        append: add to an existing recording.
        clock_s: monotonic time, for the pace of syncing.

    Attributes:
        decoder: counts of what was taken so far.
        bytes_written: of this run, marks included.
    """

    def __init__(self, path: Path, append: bool = False, clock_s: Callable[[], float] = time.monotonic) -> None:
        refuse_existing(path, append, "choose another name, or add to it with --append")
        self.path = path
        self.decoder = StreamDecoder()
        self.bytes_written = 0
        self._clock_s = clock_s
        self._synced_s = clock_s()
        self._marks = Counter()
        self._waiting: list[tuple[str, dict[str, Any]]] = []
        self._at_delimiter = True
        self._uptime_ms = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = open_to_add(path) if append else open_new(path)
            if not hold(self._file):
                self._file.close()
                raise InputError(f"{path}: another program is recording into it; choose another name")
            if append and path.stat().st_size:
                self._write(b"\0")  # whatever tail the file has must not run into what follows
        except OSError as error:
            raise InputError(
                f"{path}: cannot write ({error.strerror or error}); choose another place with -o"
            ) from error

    def take(self, data: bytes) -> Batch:
        """Store what the port gave, then decode it."""
        if not data:
            return Batch()
        cut = data.rfind(b"\0") + 1 if self._waiting else 0
        if cut:  # marks go in where the last whole frame ends
            self._write(data[:cut])
            self._write_marks()
        self._write(data[cut:])
        self._at_delimiter = data[-1] == 0
        batch = self.decoder.feed(data)
        if batch.scans:
            self._uptime_ms = int(batch.scans[-1].rows["uptime_ms"][-1])
        return batch

    def mark(self, name: str, **values: Any) -> None:
        """Add a mark as soon as it can stand between two frames."""
        self._waiting.append((name, values))
        if self._at_delimiter:
            self._write_marks()

    def cut(self) -> None:
        """The connection was lost: close the torn frame, so that what follows starts clean."""
        if not self._at_delimiter:
            self._write(b"\0")
            self.decoder.feed(b"\0")
            self._at_delimiter = True
        self._write_marks()

    def close(self) -> None:
        """Write the waiting marks and put everything on the disk."""
        if self._file.closed:
            return
        try:
            self.cut()
            os.fsync(self._file.fileno())
        except (OSError, InputError):  # a full disk: what is there is there
            pass
        finally:
            self._file.close()

    def _write_marks(self) -> None:
        waiting, self._waiting = self._waiting, []
        for name, values in waiting:
            self._write(message(name, self._marks.next(), self._uptime_ms, **values))

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            while view:
                view = view[self._file.write(view) :]
                self.bytes_written = self.bytes_written + len(data) if not view else self.bytes_written
            if self._clock_s() - self._synced_s >= _SYNC_S:
                os.fsync(self._file.fileno())
                self._synced_s = self._clock_s()
        except OSError as error:
            raise InputError(
                f"{self.path}: cannot write any more ({error.strerror or error}); what was recorded so far is kept."
                " Make room and start again with --append"
            ) from error

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@dataclass(slots=True)
class Forwarder:
    """Stands in a writer's place: passes everything to it, and what was decoded to `arrived` as well."""

    writer: RecordingWriter
    arrived: Callable[[Batch], None]

    @property
    def decoder(self) -> StreamDecoder:
        """Counts of what was taken so far."""
        return self.writer.decoder

    @property
    def bytes_written(self) -> int:
        """Of this run, marks included."""
        return self.writer.bytes_written

    def take(self, data: bytes) -> Batch:
        """Store and decode, then pass on what is whole."""
        batch = self.writer.take(data)
        if batch:
            self.arrived(batch)
        return batch

    def mark(self, name: str, **values: Any) -> None:
        """As the writer's."""
        self.writer.mark(name, **values)

    def cut(self) -> None:
        """As the writer's."""
        self.writer.cut()

    def close(self) -> None:
        """As the writer's."""
        self.writer.close()
