"""A table becomes a recording: rows are read once, checked for what no cell does, and written as frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.io.memory import keep_freed
from evenstring.io.plausibility import Dropouts, Sign, Steps, mean_v
from evenstring.io.table.convert import Converter
from evenstring.io.table.guess.plan import Plan
from evenstring.io.table.lazy_pandas import pd
from evenstring.io.table.spool import NONE, Spool
from evenstring.io.table.text import TableText
from evenstring.io.table.timeline import Timeline, zone_of
from evenstring.profile import PackProfile, to_toml
from evenstring.text import plain
from evenstring.wire.encode import Counter, ScanValues, identity, message, scan_frames
from evenstring.wire.table import load_table

__all__ = ["Imported", "write_recording"]

I16 = NDArray[np.int16]
F64 = NDArray[np.float64]
_UNKNOWN_U = 65535
_NOTES = 20  # of an import that a recording keeps; our choice
_COARSE_UV = 2000.0  # a finer step does not matter beside the offset; our choice


@dataclass(frozen=True, slots=True)
class Imported:
    """What came of a table."""

    scans: int
    duration_s: float
    start: datetime | None
    notes: tuple[str, ...]  # found while reading all of it


@dataclass(frozen=True, slots=True, eq=False)
class _Checked:
    """What the readings say of the instrument."""

    stretches: dict[int, NDArray[np.int64]]
    turn_current: bool
    step_v: float | None
    notes: tuple[str, ...]


def write_recording(
    text: TableText, plan: Plan, profile: PackProfile, out: IO[bytes], progress: Callable[[int], None] | None = None
) -> Imported:
    """Read all rows and write frames.

    Args:
        text: the table.
        plan: how it is read.
        profile: of the pack; goes into the recording.
        out: takes the frames.
        progress: called with the number of bytes of text read each time.

    Raises:
        InputError: with line and column of what is wrong.
    """
    keep_freed()
    with closing(Spool(plan)) as spool:
        converter = Converter(plan)
        _read(text, converter, spool, progress)
        line = spool.timeline()
        if line is None:
            raise InputError(f"{plan.where}: has no rows with a time below its names; give a table with one row a time")
        checked = _check(spool, plan)
        start_s, notes = _start(plan, spool, line)
        said = (*converter.notes, *line.notes, *notes, *checked.notes)
        marks = Counter()
        out.write(_head(plan, profile, (*plan.notes, *said), marks))
        _write(spool, line, start_s, plan, checked, marks, out)
    start = None if start_s is None else datetime.fromtimestamp(start_s, UTC)
    return Imported(len(line.time_s), float(line.time_s[-1] - line.time_s[0]), start, said)


def _read(text: TableText, converter: Converter, spool: Spool, progress: Callable[[int], None] | None) -> None:
    for number, block, last in _with_last(text.blocks(converter.plan.layout.first_row)):
        rows = converter.rows(number, block, last=last, torn=last and text.ends_open)
        if rows is not None:
            spool.add(rows)
        if progress:
            progress(len(block))


def _with_last(pieces: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes, bool]]:
    piece = next(pieces, None)
    while piece is not None:
        coming = next(pieces, None)
        yield *piece, coming is None
        piece = coming


def _volts(block: I16, groups: int) -> F64:
    # Each group in one piece: what is asked of a group over all rows is quicker so, ten times and more.
    steps = np.ascontiguousarray(block[:, :groups].T)
    volts = steps * (load_table().reading_step_uv * 1e-6)
    volts[steps == NONE] = np.nan
    return np.asarray(volts.T)


def _check(spool: Spool, plan: Plan) -> _Checked:
    drops, steps, sign = Dropouts(plan.groups), Steps(plan.groups), Sign()
    apart: list[float] = []
    for block in spool.blocks():
        volts = _volts(block, plan.groups)
        drops.feed(volts)
        steps.feed(volts)
        if spool.current is not None:
            current = np.where(block[:, spool.current] == NONE, np.nan, block[:, spool.current] * 0.01)
            sign.feed(current, mean_v(volts))
        if spool.pack is not None:
            off = (_pack_v(block, spool) - volts.sum(axis=1))[(volts > 0.0).all(axis=1)]
            apart += [float(np.median(off[np.isfinite(off)]))] if np.isfinite(off).any() else []
    notes = [doubt.text for doubt in (*drops.doubts(), *steps.doubts())]
    if apart and abs(float(np.median(apart))) > 1.0:
        notes.append(f"the pack voltage is {np.median(apart):+.1f} V off the sum of the groups: check scale and wiring")
    turn = False
    if spool.current is not None and not plan.sign_given:
        positive, name = sign.charging_is_positive(), plan.of("current")[0].name
        turn = positive is False and name != "current_a"  # our own name says the sign
        if positive is None:
            notes.append(
                f"column {name}: charging is taken as positive; the cells do not show it. Overrule with"
                f' --map "{name}=-current"'
            )
        elif positive is False and not turn:
            notes.append(
                f"column {name}: charging is positive by this name, but the cells fall when it rises. If discharge is"
                f' positive, say --map "{name}=-current"'
            )
        elif turn:
            notes.append(
                f"column {name}: the cells fall when it rises, so its sign was turned (charging is positive). Overrule"
                f' with --map "{name}=+current"'
            )
    return _Checked(drops.stretches(), turn, steps.step_v, tuple(notes))


def _pack_v(block: I16, spool: Spool) -> F64:
    pack = block[:, spool.pack].astype(np.float64)
    return np.where(pack == NONE, np.nan, (pack + 32767) * 0.01)


def _start(plan: Plan, spool: Spool, line: Timeline) -> tuple[float | None, list[str]]:
    """Unix time of the first scan, if the table or the user tells it."""
    zone = plan.wishes.zone
    if plan.wishes.start is not None:
        start = plan.wishes.start
        first_s = float(line.time_s[0])
        if plan.time.kind == "span" and start.hour == start.minute == start.second == 0 and 60.0 < first_s < 86400.0:
            start = start.fromtimestamp(start.timestamp() + first_s, start.tzinfo)
        return start.timestamp(), []
    form = plan.start_form or plan.time
    if plan.start_form is None and not line.dated:
        said = "the table tells no day: say --start 2024-05-13 or --start 2024-05-13T21:14"
        return None, [f"{said} to compare recordings weeks apart"]
    if form.or_else:
        return None, []  # said in the plan
    start_s = spool.start_s if plan.start_form else float(line.time_s[0])
    if start_s is None or form.kind == "unix" or form.zone:
        return start_s, []
    if plan.start_form and zone:
        where = zone_of(zone)
        start_s = float(
            pd.Timestamp(start_s, unit="s").tz_localize(where, ambiguous=True, nonexistent="shift_forward").timestamp()
        )
    if zone:
        return start_s, []
    return start_s, [
        "times of day name no zone: taken as UTC; say --zone Europe/Vienna or --zone +02:00 where they are local"
    ]


def _head(plan: Plan, profile: PackProfile, notes: tuple[str, ...], marks: Counter) -> bytes:
    """Where the numbers came from, the pack, and what was guessed or done: a report shows it."""
    origin = plain(plan.where.replace("\\", "/").rsplit("/", 1)[-1], 120)
    zone = f", times in {plan.wishes.zone}" if plan.wishes.zone else ""
    head = message("MARK_SOURCE", marks.next(), 0, text=f"evenstring {__version__} import of {origin}{zone}")
    head += message("MARK_PACK", marks.next(), 0, toml=to_toml(profile))
    for note in notes[:_NOTES]:
        head += message("MARK_NOTE", marks.next(), 0, text=f"import: {plain(note, 300)}")
    return head


def _write(
    spool: Spool,
    line: Timeline,
    start_s: float | None,
    plan: Plan,
    checked: _Checked,
    marks: Counter,
    out: IO[bytes],
) -> None:
    board = Counter()
    edges = [*line.runs, len(line.time_s)]
    row = 0
    for block in spool.blocks():
        rows = _without(block, row, checked)
        for first, end in _pieces(row, row + len(rows), edges):
            run = int(np.searchsorted(line.runs, first, side="right")) - 1
            up_ms = np.rint((line.time_s[first:end] - line.time_s[line.runs[run]]) * 1000.0).astype(np.int64)
            values = _scans(rows[first - row : end - row], up_ms, spool, plan, checked.turn_current)
            if first not in line.runs:
                out.write(scan_frames(values, board))
                continue
            out.write(_ident(board, spool, plan, checked, run))
            out.write(scan_frames(_part(values, slice(0, 1)), board))
            if start_s is not None and (line.dated or first == 0):
                unix_ms = round((start_s + float(line.time_s[first] - line.time_s[0])) * 1000.0)
                out.write(message("MARK_TIME", marks.next(), int(up_ms[0]), unix_ms=unix_ms))
            out.write(scan_frames(_part(values, slice(1, None)), board))
        row += len(rows)


def _pieces(first: int, end: int, edges: list[int]) -> Iterator[tuple[int, int]]:
    """Parts of the rows first to end, cut where a run begins."""
    cuts = [first, *(edge for edge in edges if first < edge < end), end]
    yield from pairwise(cuts)


def _without(block: I16, first: int, checked: _Checked) -> I16:
    """A block with dropouts as not read."""
    if not checked.stretches:
        return block
    rows = block.copy()
    for g, found in checked.stretches.items():
        lo = int(np.searchsorted(found[:, 1], first, side="right"))
        hi = int(np.searchsorted(found[:, 0], first + len(rows)))
        for begin, end in found[lo:hi].tolist():
            rows[max(begin - first, 0) : max(end - first, 0), g] = NONE
    return rows


def _scans(rows: I16, up_ms: NDArray[np.int64], spool: Spool, plan: Plan, turn_current: bool) -> ScanValues:
    current = None
    if spool.current is not None:
        current = rows[:, spool.current : spool.current + 1]
        current = np.where(current == NONE, NONE, -current).astype(np.int16) if turn_current else current
    pack = None
    if spool.pack is not None:
        pack = np.where(rows[:, spool.pack] == NONE, 65535, rows[:, spool.pack].astype(np.int32) + 32767).astype(
            np.uint16
        )
    simultaneous = 0 if plan.in_turn else 1 << load_table().flags["scan"]["simultaneous"]
    return ScanValues(
        uptime_ms=up_ms,
        reading=rows[:, : plan.groups],
        groups=plan.groups,
        passes=1,
        current_10ma=current,
        pack_10mv=None if pack is None else pack[:, None],
        temp_cdegc=rows[:, spool.first_temp :] if spool.width > spool.first_temp else None,
        flags=simultaneous,
    )


def _part(values: ScanValues, part: slice) -> ScanValues:
    def cut(array: Any) -> Any:
        return None if array is None else array[part]

    return ScanValues(
        cut(values.uptime_ms), cut(values.reading), values.groups, values.passes, cut(values.current_10ma),
        cut(values.pack_10mv), cut(values.temp_cdegc), flags=values.flags,
    )  # fmt: skip


def _ident(board: Counter, spool: Spool, plan: Plan, checked: _Checked, run: int) -> bytes:
    """Who speaks, and how good the readings are.

    A step q of the table's numbers is, at rest, an error of each channel: q / sqrt(12) (JCGM 100:2008, 4.3.7), beside
    an offset of up to 3 mV (our choice, as the analysis assumes where nothing is stated).
    """
    bits = load_table().flags["measures"]
    temps = spool.width - spool.first_temp
    measures = (spool.current is not None) << bits["current"] | (temps > 0) << bits["temperature"]
    measures |= (spool.pack is not None) << bits["pack_voltage"]
    step_uv = (checked.step_v or 0.0) * 1e6
    channel = round(np.hypot(step_uv, 2 * 3000.0) / 12**0.5) if step_uv >= _COARSE_UV else _UNKNOWN_U
    return identity(
        board, plan.groups, "table_import", measures=int(measures), temps=temps, boot_count=run, channel_u_uv=channel
    )
