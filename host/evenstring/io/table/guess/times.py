"""Which columns say the time, and in which form. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from evenstring.errors import InputError
from evenstring.io.table.guess.clock import ELAPSED, TimeForm, guess_number_form, guess_text_form, read_times
from evenstring.io.table.guess.plan import Column, Wishes
from evenstring.io.table.guess.sample import F64, Sample
from evenstring.io.table.lazy_pandas import pd

__all__ = ["TimeFound", "find_times"]


@dataclass(frozen=True, slots=True)
class TimeFound:
    """Columns of the time, their form, and what is to be said about them."""

    columns: tuple[Column, ...]
    form: TimeForm
    start_form: TimeForm | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Candidate:
    index: int
    form: TimeForm | None  # None: numbers whose unit is open
    liking: float
    doubt: str = ""


def find_times(
    sample: Sample, free: Iterable[int], fixed: dict[str, int], wishes: Wishes, where: str, now: datetime
) -> TimeFound:
    """The time of each row.

    Args:
        sample: the table's columns.
        free: columns that the user gave no role.
        fixed: role (t, date) to the column that the user gave it.
        wishes: what the user says of units and dates.
        where: the file.
        now: nothing was measured later.

    Raises:
        InputError: there is no time, or its unit stays open.
    """
    free = list(free)
    day_first = _day_first(sample, wishes)
    if "t" in fixed:
        columns = [fixed[role] for role in ("date", "t") if role in fixed]
        joined = _joined(sample, columns)
        chosen = _judge(sample, columns[-1], joined, wishes, now, day_first)
        if chosen is None:
            raise InputError(
                f"{where}: column {sample.shown[columns[-1]]} was given as time, but holds none; correct --map"
            )
        return _result(sample, columns, chosen, wishes, where)
    found = [
        c for c in (_judge(sample, k, sample.filled(k), wishes, now, day_first) for k in free) if c and c.liking > 0
    ]
    pair = _date_and_time(sample, free, found, wishes, now, day_first)
    if pair:
        return _result(sample, *pair, wishes, where)
    if not found or max(c.liking for c in found) < 1.0:
        raise InputError(
            f"{where}: line 1: no column of rising times found; name one t_s (seconds) or give it with --map"
            ' "NAME=t", and its unit with --unit t=s'
        )
    found.sort(key=lambda c: -c.liking)
    both = _elapsed_beside_stamp(sample, found)
    return both or _result(sample, [found[0].index], found[0], wishes, where)


def _day_first(sample: Sample, wishes: Wishes) -> bool | None:
    """What the user said of dates; else what a decimal comma or an AM/PM tells of whoever wrote the table."""
    if wishes.day_first is not None:
        return wishes.day_first
    cells = [cell for column in sample.cells for cell in column[:20]]
    if any(cell.strip().lower().endswith((" am", " pm")) for cell in cells):
        return False
    return True if any("," in cell and cell.replace(",", "").strip("+- ").isdecimal() for cell in cells) else None


def _judge(
    sample: Sample, k: int, cells: list[str], wishes: Wishes, now: datetime, day_first: bool | None
) -> _Candidate | None:
    name = sample.names[k]
    named = name.says("time") or name.says("date")
    named = named or (name.unit in ("s", "ms", "us", "min", "h") and not name.roles)
    if not cells or (name.says("other") and not named):
        return None
    unit = wishes.units.get("t", name.unit)
    if sample.is_numeric(k):
        return _judge_numbers(sample, k, unit, named)
    digits = [cell for cell in cells if any(c.isdecimal() for c in cell)]
    text = guess_text_form(digits, now, day_first)
    if text is None or len(digits) < 0.9 * len(cells):
        return None
    if len(set(cells)) == 1 and len(cells) > 3:  # a day, or a clock that stands
        return _Candidate(k, text, 0.5)
    return _Candidate(k, _span_as_wished(text, unit), 9.0 if text.dated else 6.0 + named)


def _judge_numbers(sample: Sample, k: int, unit: str | None, named: bool) -> _Candidate | None:
    name, values = sample.names[k], sample.finite(k)
    step = np.diff(values)
    if len(step) and not step.any():
        return None
    rising = max(float((step >= 0).mean()), float((step <= 0).mean())) if len(step) else 1.0
    unlike = name.says("temp") or name.says("current") or unit not in (None, *ELAPSED)
    if unlike or (rising < 0.75 and not named):
        return None
    form, doubt = guess_number_form(values, unit)
    dated = form is not None and form.dated
    liking = (4.0 if named else 0.0) + (2.0 if dated else 0.0) + (2.0 if rising > 0.999 else 0.0)
    other = name.says("index") or name.says("group") or name.says("pack") or name.number is not None
    usable = named or (not other and liking >= 2.0 and (not name.text or dated))
    return _Candidate(k, form, liking if usable else 0.0, doubt)


def _span_as_wished(form: TimeForm, unit: str | None) -> TimeForm:
    if form.kind == "span" and form.or_else and unit in ("h:m", "m:s", "min"):
        return replace(form, format="H:M" if unit == "h:m" else "M:S", or_else="")
    return form


def _joined(sample: Sample, columns: list[int]) -> list[str]:
    rows = zip(*(sample.cells[k] for k in columns), strict=True)
    return [" ".join(part.strip() for part in row) for row in rows if all(part.strip() for part in row)]


def _date_and_time(
    sample: Sample, free: list[int], found: list[_Candidate], wishes: Wishes, now: datetime, day_first: bool | None
) -> tuple[list[int], _Candidate] | None:
    """A column of days beside one of times of day."""
    days = [
        c
        for c in found
        if c.form and c.form.kind == "stamp" and "%H" not in c.form.format and "%I" not in c.form.format
    ]
    times = [c for c in found if c.form and c.form.kind == "span"]
    if not days or not times or not set(free) >= {days[0].index, times[0].index}:
        return None
    columns = [days[0].index, times[0].index]
    form = guess_text_form(
        _joined(sample, columns), now, wishes.day_first if wishes.day_first is not None else day_first
    )
    return None if form is None else (columns, _Candidate(columns[0], form, 10.0))


def _elapsed_beside_stamp(sample: Sample, found: list[_Candidate]) -> TimeFound | None:
    """Times since the beginning, and times of day beside them that tell the beginning and prove the unit."""
    stamp = next((c for c in found if c.form and c.form.dated), None)
    numbers = next((c for c in found if c is not stamp and (not c.form or c.form.kind == "elapsed")), None)
    if stamp is None or numbers is None or stamp.form is None or not sample.names[numbers.index].says("time"):
        return None
    seconds = read_times(pd.Series(sample.cells[stamp.index], dtype=object), stamp.form)
    values = sample.values[numbers.index]
    good = np.isfinite(seconds) & np.isfinite(values)
    if not good.any():
        return None
    span, length = float(np.ptp(seconds[good])), float(np.ptp(values[good]))
    for scale in ELAPSED.values():
        if abs(length * scale - span) <= max(1.5, 0.02 * span) and span > 3.0:
            columns = (
                Column(numbers.index, sample.shown[numbers.index], "time"),
                Column(stamp.index, sample.shown[stamp.index], "start"),
            )
            return TimeFound(columns, TimeForm("elapsed", scale), stamp.form, _notes(sample, stamp, stamp.form))
    return None


def _result(sample: Sample, columns: list[int], chosen: _Candidate, wishes: Wishes, where: str) -> TimeFound:
    shown = sample.shown[columns[-1]]
    if chosen.form is None:
        step = np.abs(np.diff(sample.finite(columns[-1])))
        apart = f"rows {np.median(step):g} apart" if len(step) else "one row"
        raise InputError(
            f"{where}: line 1, column {shown}: the unit of the time is open ({apart} could be seconds, milliseconds"
            " or minutes); say --unit t=s, t=ms or t=min"
        )
    roles = ["time"] if len(columns) == 1 else ["date", "time"]
    taken = tuple(Column(k, sample.shown[k], role) for k, role in zip(columns, roles, strict=True))
    notes = list(_notes(sample, chosen, chosen.form))
    if chosen.form.kind == "elapsed" and "t" not in wishes.units and sample.names[columns[-1]].unit is None:
        unit = next(name for name, scale in ELAPSED.items() if scale == chosen.form.scale_s)
        notes.append(f"column {shown} names no unit: taken as {unit}; overrule with --unit t=s, t=ms or t=min")
    if chosen.doubt:
        notes.append(f"column {shown}: {chosen.doubt} Overrule with --unit t=ms or the like")
    return TimeFound(taken, chosen.form, None, tuple(notes))


def _notes(sample: Sample, chosen: _Candidate, form: TimeForm) -> tuple[str, ...]:
    shown = sample.shown[chosen.index]
    if form.kind == "stamp" and form.or_else:
        said = f"column {shown}: day and month cannot be told apart (taken as {form.words()[17:]}), so the day is not"
        return (said + " recorded; say --dates day-first or --dates month-first",)
    if form.kind == "span" and form.or_else:
        return (f"column {shown}: taken as {form.words()[8:]}; overrule with --unit t=h:m or t=m:s",)
    return ()


def numeric_times(values: F64, form: TimeForm) -> F64:
    """Seconds of a column of numbers."""
    return read_times(pd.Series(values), form)
