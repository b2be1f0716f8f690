"""Recordings from a board's flash to the host's disk: resumable, verified, and erased only when verified.

Every piece is vouched for by its own frame's CRC; the file, read back from the disk, by a CRC-32 that the board makes
over its own flash. Nothing is erased unless asked, and then the board compares size and CRC again itself.
"""

from __future__ import annotations

import glob
import os
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from evenstring.board.talk import Refused, Talk
from evenstring.errors import DeviceError, InputError
from evenstring.wire.table import load_table

__all__ = ["Fetched", "Segment", "fetch_segment", "file_name", "list_segments", "memory_notes", "place_of"]

_ROW = 16 * 512  # bytes asked for at once: the board sends them a few pieces at a time, scans in between; our choice
_MISMATCHES = 2  # a file that does not verify is fetched anew that often
_LATE = 40  # answers to other questions than the one asked, before the board counts as confused; our choice
_LAST = (1 << 32) - 1  # the largest number of a segment (u32)
_CONFUSED = "restart it, and run `evenstring deploy` if it says so again"
_LARGEST = 64 << 20  # bytes of a segment: far beyond any board's flash; our choice


@dataclass(frozen=True, slots=True)
class Segment:
    """A segment as the board lists it."""

    number: int
    size_bytes: int
    alarm: bool
    open: bool


@dataclass(frozen=True, slots=True)
class Fetched:
    """A segment on the host's disk, verified against the board's own flash."""

    segment: Segment
    path: Path
    new_bytes: int  # what was missing here before
    erased: bool = False


def list_segments(talk: Talk) -> list[Segment]:
    """All segments on the board, oldest first; what is unflushed is flushed before.

    Raises:
        DeviceError: no answer, or a board without a recorder.
    """
    flags = load_table().flags["segment"]
    found: list[Segment] = []
    first = 0
    while True:
        part = talk.ask("LIST_SEGMENTS", "SEGMENTS", first=first)
        for number, size, flag in zip(part["number"], part["size"], part["flags"], strict=True):
            if number < first or size > _LARGEST:
                raise DeviceError(f"the board lists segment {number} of {size:,} bytes, which cannot be; {_CONFUSED}")
            found.append(Segment(number, size, bool(flag >> flags["alarm"] & 1), bool(flag >> flags["open"] & 1)))
            first = number + 1  # they rise, so a list has an end
        if not part["more"] or not part["number"] or first > _LAST:
            return found


_MEMORY = {
    "lost": "was once found empty: what it had recorded before is gone",
    "latch_lost": "forgot its past alarms: a group may have been below discard without this board knowing",
    "boots_restored": "lost the main copy of its boot count, which goes on from the second one",
    "copy_missing": "does not find the second home of its past alarms that the board description names",
}


def memory_notes(talk: Talk) -> list[str]:
    """What the board said of its memory with the list of segments, in words; empty when all is well."""
    if "RECORDER" not in talk.latest:
        return []
    bits = load_table().flags["memory"]
    flags = talk.latest["RECORDER"].values["memory"]
    return [words for name, words in _MEMORY.items() if flags >> bits[name] & 1]


def file_name(board_id: str, number: int, string_name: str = "", day: str = "") -> str:
    """Name of a fetched segment: day of fetching, string, board, number; of one day names sort by recording."""
    who = [re.sub(r"[^A-Za-z0-9_-]+", "-", part).strip("-") for part in (day, string_name, board_id or "board")]
    return f"{'_'.join(part for part in who if part) or 'board'}-{number:08d}.frames"


def place_of(folder: Path, board_id: str, number: int, string_name: str, day: str) -> Path:
    """Where a segment goes: where an earlier run put it, else under a name of this day."""
    plain_name = file_name(board_id, number, string_name)
    for end in ("", ".part"):
        for there in sorted(folder.glob(f"????-??-??_{glob.escape(plain_name + end)}")):
            return there.with_name(there.name.removesuffix(".part"))
    return folder / file_name(board_id, number, string_name, day)


def fetch_segment(
    talk: Talk, segment: Segment, path: Path, *, erase: bool = False, progress: Callable[[int], None] | None = None
) -> Fetched:
    """Bring one segment to `path`, continuing what an earlier run left there.

    Args:
        talk: the board.
        segment: as listed.
        path: the file; beside it stands `.part` until it is verified.
        erase: delete it on the board once it is verified here. A segment still being written is left alone.
        progress: called with the number of bytes that arrived, or that were here already.

    Raises:
        InputError: the disk cannot be written, or holds another recording under that name.
        DeviceError: the board does not answer, or its flash gives no stable answer.
    """
    report = progress or (lambda _n: None)
    part = path.with_suffix(path.suffix + ".part")
    try:
        had = _resume(talk, segment, path, part)
        report(had)
        crc = _complete(talk, segment, part, report)
        part.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise InputError(
            f"{path}: cannot write ({error.strerror or error}); make room or choose another place with -o"
        ) from error
    erased = False
    if erase and not segment.open:
        try:
            talk.ask("ERASE_SEGMENT", "REPLY", number=segment.number, size=segment.size_bytes, crc=crc)
            erased = True
        except Refused:
            erased = False  # it grew, or was overwritten meanwhile: the board keeps what was not verified
    return Fetched(segment, path, segment.size_bytes - had, erased)


def _resume(talk: Talk, segment: Segment, path: Path, part: Path) -> int:
    """Bytes that are here already and the board's own; they stand in `part` afterwards."""
    source = part if part.exists() else path
    if not source.exists():
        part.write_bytes(b"")
        return 0
    held = source.read_bytes()
    good = 0 < len(held) <= segment.size_bytes and _sum(talk, segment.number, len(held)) == zlib.crc32(held)
    if not good and source is path:
        raise InputError(f"{path}: holds something else than the board's segment; move it away or choose another -o")
    part.write_bytes(held if good else b"")
    return len(held) if good else 0


def _complete(talk: Talk, segment: Segment, part: Path, report: Callable[[int], None]) -> int:
    """Fetch what is missing, put it on the disk, read it back and compare; return the CRC."""
    for attempt in range(_MISMATCHES + 1):
        with part.open("ab") as file:
            for data in _pieces(talk, segment, file.tell()):
                file.write(data)
                report(len(data))
            file.flush()
            os.fsync(file.fileno())
        crc = zlib.crc32(part.read_bytes())
        if crc == _sum(talk, segment.number, segment.size_bytes):
            return crc
        if attempt < _MISMATCHES:
            part.write_bytes(b"")
    raise DeviceError(
        f"segment {segment.number}: what was read and the board's own sum differ each time; its flash may be failing."
        f" What came is kept in {part.name}"
    )


def _pieces(talk: Talk, segment: Segment, offset: int) -> Iterator[bytes]:
    late = 0
    while offset < segment.size_bytes:
        size = min(_ROW, segment.size_bytes - offset)
        for answer in talk.ask_all("READ_SEGMENT", "SEGMENT_DATA", number=segment.number, offset=offset, size=size):
            if (answer["number"], answer["offset"]) != (segment.number, offset):
                late += 1  # the answer to an earlier question, or one before it was damaged; but not for ever
                if late > _LATE:
                    raise DeviceError(f"segment {segment.number}: the board answers for other places; {_CONFUSED}")
                continue
            late = 0
            data = bytes(answer["data"])[: segment.size_bytes - offset]
            if not data:
                raise DeviceError(f"segment {segment.number}: ends before its stated size; run again")
            yield data
            offset += len(data)


def _sum(talk: Talk, number: int, size: int) -> int:
    answer = talk.ask("CHECK_SEGMENT", "SEGMENT_SUM", number=number, size=size)
    return int(answer["crc"]) if (answer["number"], answer["size"]) == (number, size) else -1


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere a folder cannot be opened, and a rename needs no such help
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
