"""Recordings on disk to a Session. Reads in chunks; memory is that of the result, and the result is bounded.

Of very long recordings every few neighbouring scans become one row (`evenstring.io.blocks`), and the session says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple, dataclass, replace
from itertools import islice
from pathlib import Path

from evenstring.errors import InputError
from evenstring.io.assemble import Folding, assemble
from evenstring.io.blocks.keeper import MOST_READINGS, Keeper
from evenstring.io.plausibility import without_dropouts
from evenstring.profile import PackProfile, parse_profile
from evenstring.session import LinkStats, Session
from evenstring.wire.delta import DELTA_NAMES, decode_blocks
from evenstring.wire.stream import Batch, StreamDecoder
from evenstring.wire.structs import Frame

__all__ = ["batches_of", "count_scans", "load_recordings", "load_session", "profile_of", "some_frame", "string_named"]

_CHUNK = 1 << 22
_PIECE, _PIECES = 1 << 12, 16  # the head of a recording, in which its board says who it is: our choice


@dataclass(frozen=True, slots=True, eq=False)
class _Decoded:
    """What one file held beside its scans: the other frames, with ordinals that count on from file to file."""

    path: Path
    frames: list[Frame]
    coarse_uv: int  # resolution of the coarsest delta block
    link: LinkStats


def load_session(
    paths: Sequence[Path], progress: Callable[[int], None] | None = None, *, whole: bool = False
) -> Session:
    """Decode one recording, or several of one string put one after another in the order given.

    Args:
        paths: files of frames.
        progress: called with the number of bytes read each time.
        whole: every scan a row of its own, however many there are and however much memory that takes.

    Raises:
        InputError: a file cannot be read, holds no frame at all, or the recordings are of different strings.
    """
    return _assembled(*_decoded(paths, progress, None if whole else MOST_READINGS))


def load_recordings(paths: Sequence[Path]) -> tuple[Session, tuple[Session, ...]]:
    """All of them as one session, and each for itself where there are several; every file is decoded once.

    Raises:
        InputError: as `load_session`.
    """
    decoded, keeper = _decoded(paths, None, MOST_READINGS if len(paths) == 1 else MOST_READINGS // 2)
    each = range(len(decoded)) if len(decoded) > 1 else ()
    return _assembled(decoded, keeper), tuple(_assembled([decoded[k]], keeper, k) for k in each)


def count_scans(paths: Sequence[Path]) -> tuple[int, int]:
    """How many scans recordings hold, and of how many groups the last one is; keeps none of them in memory.

    Raises:
        InputError: a file cannot be read, or holds no frame at all.
    """
    decoder, scans, groups = StreamDecoder(), 0, 0
    for path in paths:
        good = decoder.frames_good
        for batch in batches_of(path, decoder):
            for rows in (*batch.scans, *decode_blocks([f for f in batch.frames if f.name in DELTA_NAMES])):
                scans += len(rows.rows)
                groups = int(rows.rows["groups"][-1])
        some_frame(path, decoder.frames_good - good)
    return scans, groups


def string_named(path: Path) -> str:
    """What the board that a recording is of calls its string; empty where its head does not say.

    Raises:
        InputError: the file cannot be read.
    """
    for batch in islice(batches_of(path, StreamDecoder(), chunk_bytes=_PIECE), _PIECES):
        for frame in batch.frames:
            if frame.name == "IDENT":
                return str(frame.values["string_name"])
    return ""


def some_frame(path: Path, count: int) -> None:
    """Raise InputError where a file held no frame."""
    if not count:
        raise InputError(f"{path}: no evenstring frame in this file; give a recording, or `evenstring import` a table")


def _decoded(
    paths: Sequence[Path], progress: Callable[[int], None] | None, most: int | None
) -> tuple[list[_Decoded], Keeper]:
    decoder, keeper = StreamDecoder(), Keeper(most)
    out: list[_Decoded] = []
    for path in paths:
        before = _link(decoder)
        keeper.begin_file()
        frames: list[Frame] = []
        coarse_uv = 0
        for batch in batches_of(path, decoder, progress):
            blocks = [f for f in batch.frames if f.name in DELTA_NAMES]
            coarse_uv = max([coarse_uv, *(f.values["step_uv"] for f in blocks)])
            for rows in (*batch.scans, *decode_blocks(blocks)):
                keeper.add(rows)
            frames += [f for f in batch.frames if f.name not in DELTA_NAMES]
        now = replace(_link(decoder), tail_bytes=before.tail_bytes + decoder.tail_bytes)
        link = LinkStats(*(a - b for a, b in zip(astuple(now), astuple(before), strict=True)))
        some_frame(path, link.frames_good)
        if out:
            link = replace(link, bytes_total=link.bytes_total - 1)  # the delimiter put between two files
        out.append(_Decoded(path, frames, coarse_uv, link))
    keeper.finish()
    return out, keeper


def _link(decoder: StreamDecoder) -> LinkStats:
    return LinkStats(
        bytes_total=decoder.bytes_total,
        frames_good=decoder.frames_good,
        frames_damaged=decoder.frames_damaged,
        frames_lost=decoder.frames_lost,
        frames_unknown=decoder.frames_unknown,
        tail_bytes=0,
        cut_on_joining=decoder.cut_on_joining,
        console_pieces=decoder.console_pieces,
        console_bytes=decoder.console_bytes,
    )


def _assembled(decoded: Sequence[_Decoded], keeper: Keeper, only: int | None = None) -> Session:
    """The session of all files, or of one only."""
    where = ", ".join(str(d.path) for d in decoded)
    if len(keeper.sizes) > 1:
        counts = ", ".join(str(v) for v in sorted(keeper.sizes))
        raise InputError(f"{where}: holds scans of {counts} groups; give recordings of one string at a time")
    link = LinkStats(*map(sum, zip(*(astuple(d.link) for d in decoded), strict=True)))
    frames = [frame for d in decoded for frame in d.frames]
    scans, count = (keeper.all(), sum(keeper.scans)) if only is None else (keeper.file(only), keeper.scans[only])
    folding = Folding(count, keeper.each, keeper.interval_s) if keeper.each > 1 else None
    session = without_dropouts(assemble(scans, frames, link, where, folding))
    coarse_v = 1e-6 * max((d.coarse_uv for d in decoded), default=0)
    if coarse_v > session.meter.resolution_v:
        return replace(session, meter=replace(session.meter, resolution_v=coarse_v))
    return session


def batches_of(
    path: Path, decoder: StreamDecoder, progress: Callable[[int], None] | None = None, chunk_bytes: int | None = None
) -> Iterator[Batch]:
    """What a file holds, chunk by chunk."""
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give the recording in it")
    empty = True
    try:
        with path.open("rb") as file:
            if decoder.bytes_total:  # a torn end of the file before must not run into this one
                decoder.feed(b"\0")
            while chunk := file.read(chunk_bytes or _CHUNK):
                empty = False
                yield decoder.feed(chunk)
                if progress:
                    progress(len(chunk))
    except OSError as error:
        raise InputError(f"{path}: cannot read this file ({error.strerror or error}); check the name") from error
    if empty:
        raise InputError(f"{path}: is empty; nothing was recorded")


def profile_of(session: Session, given: PackProfile | None = None) -> PackProfile:
    """The profile in force: the one given, else the one in the recording, else defaults (all listed as such).

    Raises:
        InputError: the profile given is of another number of groups.
    """
    profile = given
    if profile is None and session.pack_toml:
        profile = _carried(session.pack_toml)
    if profile is None:
        return parse_profile(f"[pack]\ngroups = {max(session.groups, 1)}\n")
    if session.groups and profile.groups != session.groups:
        raise InputError(
            f"pack profile: says {profile.groups} groups, the recording has {session.groups}; correct [pack] groups"
        )
    return profile


def _carried(text: str) -> PackProfile:
    """The profile in a recording, which a program wrote: a key that a later version added is no slip of the pen."""
    try:
        return parse_profile(text, "profile in the recording", newer=True)
    except InputError as error:
        raise InputError(f"{error}; give the right one with --pack") from error
