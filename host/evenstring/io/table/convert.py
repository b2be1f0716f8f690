"""Rows of text to numbers, a block of lines at a time, as a plan says.

pandas reads the numbers. What it would pass over in silence is checked before: the number of cells in each line. What
it cannot read as a number is looked at cell by cell, and named with its place.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.io.table.guess.cells import MISSING, kind_of, number
from evenstring.io.table.guess.clock import TimeForm, read_times
from evenstring.io.table.guess.groups import id_number
from evenstring.io.table.guess.layout import split_line
from evenstring.io.table.guess.plan import Column, Plan
from evenstring.io.table.lazy_pandas import pd
from evenstring.io.table.text import count_of
from evenstring.text import plain
from evenstring.wire.table import load_table

__all__ = ["Converter", "Rows"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_MISSING_SPELLED = sorted(
    {w for word in MISSING if word for w in (word, word.upper(), word.capitalize(), "NaN", "N/A", "NaT")}
)
_MAX_A = 327.67  # of the recording's format, in 10 mA steps
_MAX_C = 320.0
_MAX_PACK_V = 655.3


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows in the order of the table. In a long table each holds one reading, the others are NaN."""

    time_s: F64  # (n,)
    volts_v: F64  # (n, g)
    current_a: F64 | None  # (n,)
    temps_c: F64 | None  # (n, k)
    pack_v: F64 | None  # (n,)
    lines: I64  # (n,) from 1
    start_s: float | None = None  # unix time of the first row, from a column of its own
    group: I64 | None = None  # (n,) of a long table: number of the group read


class Converter:
    """Reads blocks as a plan says; `notes` gathers what was passed over."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.notes: list[str] = []
        self._sep = plan.layout.separator.encode()
        self._names = list(plan.layout.names)
        self._start_read = False
        texts = plan.of("date") + plan.of("id") + plan.of("start")
        if plan.time.kind in ("stamp", "span"):
            texts += plan.of("time")
        self._texts = {column.index: str for column in texts}

    def rows(self, number_of_first: int, block: bytes, last: bool, torn: bool) -> Rows | None:
        """Numbers of a block of lines; None where it holds none.

        Args:
            number_of_first: number of its first line, from 0.
            block: whole lines.
            last: nothing comes after it.
            torn: and its last line has no end.

        Raises:
            InputError: with line and column of what is wrong.
        """
        lines: I64 | None = None
        if not self._is_even(block):
            block, lines = self._checked(number_of_first, block, last)
        if not block.strip():
            return None
        frame = self._frame(block)
        if lines is None:
            lines = np.arange(number_of_first, number_of_first + len(frame)) + 1
        frame, lines = self._without_blank(frame, lines)
        time_s, keep = self._times(frame, lines, last)
        if not keep.all():
            frame, lines, time_s = frame[keep].reset_index(drop=True), lines[keep], time_s[keep]
        if not len(frame):
            return None
        return self._numbers(frame, lines, time_s, last and torn)

    def _is_even(self, block: bytes) -> bool:
        """Each line has as many cells as the table is wide, told from the count of separators alone."""
        if self._sep == b" " or b'"' in block:
            return False
        return count_of(block, self._sep) == count_of(block, b"\n") * (self.plan.layout.width - 1)

    def _checked(self, first: int, block: bytes, last: bool) -> tuple[bytes, I64]:
        """The lines that are rows, as wide as the table, and their numbers."""
        width, separator = self.plan.layout.width, self.plan.layout.separator
        good, numbers = [], []
        lines = block.decode("utf-8", errors="replace").split("\n")[:-1]
        for k, line in enumerate(lines):
            bare = line.rstrip("\r")
            if not bare.strip(" \t,;|"):
                continue
            cells = split_line(bare, separator)
            if len(cells) == width + 1 and not cells[-1]:
                cells = cells[:-1]
            if len(cells) == width:
                good.append("\t".join(cells) if separator == " " else bare if len(cells) == width else "")
                numbers.append(first + k + 1)
            elif not self._passed_over(cells, first + k + 1, last and k == len(lines) - 1):
                named = f"{width} columns are named" if self.plan.layout.names else f"the rows have {width}"
                raise InputError(
                    f"{self.plan.where}: line {first + k + 1}: {len(cells)} cells, but {named}; complete or "
                    f"remove this line"
                )
        return ("\n".join(good) + "\n").encode() if good else b"", np.array(numbers, np.int64)

    def _passed_over(self, cells: list[str], line: int, is_last: bool) -> bool:
        """Remarks, footers and a torn last line are left out, and said."""
        said = [cell for cell in cells if cell.strip()]
        if len(said) <= 2 and said and (said[0].lstrip().startswith(("#", "//")) or kind_of(said[0]) == "text"):
            self._note(f"line {line} is a remark and not read: {plain(' '.join(said), 40)!r}")
            return True
        if is_last and len(cells) < self.plan.layout.width:
            self._note(f"line {line}, the last, is cut off and not read")
            return True
        return False

    def _note(self, text: str) -> None:
        if len(self.notes) < 8:
            self.notes.append(text)

    def _frame(self, block: bytes) -> pd.DataFrame:
        layout = self.plan.layout
        try:
            return pd.read_csv(
                io.BytesIO(block),
                sep="\t" if layout.separator == " " else layout.separator,
                decimal=layout.decimal,
                header=None,
                names=list(range(layout.width)),
                index_col=False,
                na_values=_MISSING_SPELLED,
                skipinitialspace=b" " in block or b"\t" in block,  # a search costs less than the skipping
                skip_blank_lines=False,
                dtype=self._texts or None,
                engine="c",
                low_memory=False,
                encoding_errors="replace",
            )
        except (pd.errors.ParserError, ValueError, OverflowError) as error:
            raise InputError(
                f"{self.plan.where}: cannot be read as a table ({str(error)[:100]}); check its lines"
            ) from error

    def _without_blank(self, frame: pd.DataFrame, lines: I64) -> tuple[pd.DataFrame, I64]:
        time = self.plan.of("time")[0].index
        if not pd.isna(frame[time].to_numpy()).any():
            return frame, lines
        blank = frame.isna().all(axis=1).to_numpy()
        return frame[~blank].reset_index(drop=True), lines[~blank]

    def _times(self, frame: pd.DataFrame, lines: I64, last: bool) -> tuple[F64, NDArray[np.bool_]]:
        """Seconds of each row; and which rows are none: names repeated, footers."""
        column = self.plan.of("time")[0]
        cells = frame[column.index]
        keep = np.ones(len(frame), np.bool_)
        if dates := self.plan.of("date"):
            cells = frame[dates[0].index].astype(str).str.strip() + " " + cells.astype(str).str.strip()
        if self.plan.time.kind in ("stamp", "span"):
            time_s = _by_pieces(cells, self.plan.time)
        else:
            time_s = self._column(frame, column, lines, strict=False) * self.plan.time.scale_s
            if self.plan.time.kind == "serial":
                time_s = read_times(pd.Series(time_s), self.plan.time)
        bad = np.flatnonzero(~np.isfinite(time_s))
        for k in bad:
            cell = str(frame[column.index][k])
            if self._names and cell.strip() == column.name.strip():
                keep[k] = False
                self._note(f"line {lines[k]} repeats the names and is not read")
            elif last and not np.isfinite(time_s[k:]).any() and kind_of(cell) == "text":
                keep[k:] = False
                self._note(f"line {lines[k]} and what follows hold no time and are not read: {plain(cell, 40)!r}")
                break
            else:
                what = (
                    "has no time"
                    if kind_of(cell) == "missing"
                    else f"{plain(cell, 40)!r} is not a time like the others"
                )
                raise InputError(
                    f"{self.plan.where}: line {lines[k]}, column {column.name}: {what} "
                    f"({self.plan.time.words()}); correct or"
                    " remove this line"
                )
        return time_s, keep

    def _column(self, frame: pd.DataFrame, column: Column, lines: I64, *, strict: bool = True) -> F64:
        """Numbers of a column, not scaled. Not strict: NaN for what is none."""
        cells = frame[column.index]
        if cells.dtype != object and cells.dtype.kind in "fiu":
            values = cells.to_numpy(np.float64)
            if np.abs(values.sum()) < np.inf:  # usual; false where one is missing or endless
                return values
            bad = np.isinf(values)
        else:
            values, bad = _cell_by_cell(cells.astype(object).tolist(), self.plan.layout.decimal)
        if strict and bad.any():
            k = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"{self.plan.where}: line {lines[k]}, column {column.name}: {plain(cells[k], 40)!r} is not a "
                f"number; leave a"
                " cell empty for a reading not taken"
            )
        return np.where(bad, np.nan, values) if bad.any() else values

    def _numbers(self, frame: pd.DataFrame, lines: I64, time_s: F64, torn: bool) -> Rows:
        plan = self.plan
        steps = load_table().reading_step_uv * 1e-6
        most_v = (load_table().reading_codes["over_positive"] - 1) * steps
        which = None
        if plan.is_long:
            which = self._groups_of(frame, lines)
            one = self._scaled(frame, plan.of("volts"), lines, most_v, "V")[:, 0]
            volts = np.full((len(frame), plan.groups), np.nan)
            volts[np.arange(len(frame)), which - 1] = one
        else:
            volts = self._scaled(frame, plan.of("group"), lines, most_v, "V")
        if torn and not plan.is_long:
            self._doubt_last(frame, volts)
        current = self._scaled(frame, plan.of("current"), lines, _MAX_A, "A")
        pack = self._scaled(frame, plan.of("pack"), lines, _MAX_PACK_V, "V")
        temps = self._scaled(frame, plan.of("temp"), lines, _MAX_C, "deg C")
        return Rows(
            time_s=time_s,
            volts_v=volts,
            current_a=current[:, 0] if current.shape[1] else None,
            temps_c=temps if temps.shape[1] else None,
            pack_v=pack[:, 0] if pack.shape[1] else None,
            lines=lines,
            start_s=self._start(frame),
            group=which,
        )

    def _scaled(self, frame: pd.DataFrame, columns: tuple[Column, ...], lines: I64, limit: float, unit: str) -> F64:
        values = np.empty((len(columns), len(frame))).T  # a column in one piece, as pandas holds it
        for k, column in enumerate(columns):
            values[:, k] = self._column(frame, column, lines)
            if column.scale != 1.0:
                values[:, k] *= column.scale
            if column.offset:
                values[:, k] += column.offset
        most = limit + 1e-6  # decimal fractions are not exact
        if values.max(initial=0.0) <= most and values.min(initial=0.0) >= -most:  # usual; false where one is missing
            return values
        beyond = np.argwhere(np.abs(values) > most)
        if len(beyond):
            row, k = beyond[0]
            raise InputError(
                f"{self.plan.where}: line {lines[row]}, column {columns[k].name}: {values[row, k]:g} {unit} is "
                f"beyond ±{limit:g}"
                f" {unit}, the most that a recording holds; correct it, or say the unit with --unit"
            )
        return values

    def _groups_of(self, frame: pd.DataFrame, lines: I64) -> I64:
        column = self.plan.of("id")[0]
        cells = frame[column.index].fillna("").astype(str)
        known = {cell: id_number(cell) + 1 - column.number for cell in cells.unique()}
        which = cells.map(known).to_numpy(np.int64)
        bad = np.flatnonzero((which < 1) | (which > self.plan.groups))
        if len(bad):
            k = int(bad[0])
            raise InputError(
                f"{self.plan.where}: line {lines[k]}, column {column.name}: {plain(cells[k], 40)!r} is no group "
                f"of this pack"
                f" (1 to {self.plan.groups}); correct it or the pack"
            )
        return which

    def _doubt_last(self, frame: pd.DataFrame, volts: F64) -> None:
        """A number at the end of a file that was cut may have lost digits: a reading that leaves its place is none."""
        last = frame.shape[1] - 1
        for place, column in enumerate(self.plan.of("group")):
            if column.index == last and len(volts) > 1 and abs(volts[-1, place] - volts[-2, place]) > 0.02:
                volts[-1, place] = np.nan
                self._note(f"the last cell of the file ({column.name}) may be cut off and counts as not read")

    def _start(self, frame: pd.DataFrame) -> float | None:
        columns = self.plan.of("start")
        if not columns or self.plan.start_form is None or self._start_read:
            return None
        self._start_read = True
        value = float(read_times(frame[columns[0].index][:1], self.plan.start_form)[0])
        return value if np.isfinite(value) else None


def _by_pieces(cells: pd.Series[Any], form: TimeForm) -> F64:
    """Times of texts; each text is read once, since many rows say the same second."""
    codes, texts = pd.factorize(cells)
    times = read_times(pd.Series(texts, dtype=object), form)
    return np.where(codes < 0, np.nan, times[codes]) if len(times) else np.full(len(cells), np.nan)


def _cell_by_cell(cells: list[Any], decimal: str) -> tuple[F64, NDArray[np.bool_]]:
    values, bad = np.full(len(cells), np.nan), np.zeros(len(cells), np.bool_)
    for k, cell in enumerate(cells):
        if isinstance(cell, bool):
            bad[k] = True
        elif isinstance(cell, (int, float)):
            values[k] = cell
            bad[k] = np.isinf(values[k])
        else:
            try:
                values[k] = number(str(cell), decimal)
            except ValueError:
                bad[k] = True
    return values, bad | np.isinf(values)
