"""A recording of any length as sessions of a few minutes each, with the times that the whole would have.

It is read twice: first for what places the scans in time, which is little, then for the scans themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from evenstring.errors import InputError
from evenstring.io.assemble import assemble, in_order
from evenstring.io.blocks.keeper import Keeper
from evenstring.io.blocks.scan_block import ScanBlock
from evenstring.io.load import batches_of, some_frame
from evenstring.io.plausibility import Dropouts
from evenstring.session import LinkStats, Quality, Session
from evenstring.wire.delta import DELTA_NAMES, decode_blocks
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import Frame

__all__ = ["Pieces", "Shape"]


@dataclass(frozen=True, slots=True)
class Shape:
    """What all pieces have in common: groups, temperatures, and whether there is a current and a pack voltage."""

    groups: int
    temps: int
    current: bool
    pack: bool
    start: datetime | None

    @classmethod
    def of(cls, session: Session) -> Shape:
        """Of a session that is held whole."""
        temps = 0 if session.temps_c is None else session.temps_c.shape[1]
        has = session.current_a is not None, session.pack_v is not None
        return cls(session.groups, temps, *has, session.start)


class Pieces:
    """Sessions of the recordings `paths`, in order; what no cell does is taken as not read, as in the whole.

    Attributes:
        shape: of all of them.
        scans: in all.

    Raises:
        InputError: as `load_session`.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths
        seen = _Seen()
        head = seen.look(paths)
        self.scans = head.scans
        self._time_s = head.time_s
        self._stretches = seen.drops.stretches() if seen.drops else {}
        self.shape = Shape(seen.groups, seen.temps, seen.current, seen.pack, head.start)

    def __iter__(self) -> Iterator[Session]:
        first = 0
        for block, _ in _blocks(self._paths):
            if not len(block):
                continue
            end = first + len(block)
            volts, quality = block.volts_v, block.quality
            for g, found in self._stretches.items():
                for begin, after in found[(found[:, 1] > first) & (found[:, 0] < end)].tolist():
                    rows = slice(max(begin - first, 0), after - first)
                    quality[rows, g] = np.where(quality[rows, g] == Quality.OK, Quality.NO_READING, quality[rows, g])
                    volts[rows, g] = np.nan
            yield Session(
                self._time_s[first:end], volts, quality, block.span_s,
                current_a=block.current_a, pack_v=block.pack_v, temps_c=block.temps_c, start=self.shape.start,
            )  # fmt: skip
            first = end


class _Seen:
    """What the first reading keeps."""

    def __init__(self) -> None:
        self.groups = self.temps = 0
        self.current = self.pack = False
        self.drops: Dropouts | None = None

    def look(self, paths: Sequence[Path]) -> Session:
        """A session of the times alone."""
        times = Keeper(None)
        frames: list[Frame] = []
        for block, others in _blocks(paths):
            frames += others
            if len(block):
                self._take(block)
                times.append(_times_of(block))
        return assemble(times.all(), frames, LinkStats(), ", ".join(map(str, paths)))

    def _take(self, block: ScanBlock) -> None:
        self.groups = block.volts_v.shape[1]
        self.temps = max(self.temps, 0 if block.temps_c is None else block.temps_c.shape[1])
        self.current |= block.current_a is not None
        self.pack |= block.pack_v is not None
        self.drops = self.drops or Dropouts(self.groups)
        self.drops.feed(block.volts_v.astype(np.float64))


def _times_of(block: ScanBlock) -> ScanBlock:
    """The scans of a block as if they were of no group."""
    return ScanBlock(
        block.ordinals, block.uptime_ms, block.gap_before, block.quiet, block.step_s, block.turn_s, block.span_s,
        np.zeros((len(block), 0), np.float32), np.zeros((len(block), 0), np.uint8),
    )  # fmt: skip


def _blocks(paths: Sequence[Path]) -> Iterator[tuple[ScanBlock, list[Frame]]]:
    """Scans and other frames of each chunk, in stream order."""
    decoder, sizes = StreamDecoder(), set()
    for path in paths:
        good = decoder.frames_good
        for batch in batches_of(path, decoder):
            keeper = Keeper(None)
            keeper.begin_file()
            for rows in (*batch.scans, *decode_blocks([f for f in batch.frames if f.name in DELTA_NAMES])):
                keeper.add(rows)
            sizes |= keeper.sizes
            if len(sizes) > 1:
                counts = ", ".join(map(str, sorted(sizes)))
                raise InputError(f"{path}: scans of {counts} groups; give recordings of one string at a time")
            yield in_order(keeper.all()), [f for f in batch.frames if f.name not in DELTA_NAMES]
        some_frame(path, decoder.frames_good - good)
