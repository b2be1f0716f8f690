"""Forms of time in tables: which one a column has, and its cells as seconds. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.io.table.lazy_pandas import pd

__all__ = ["ELAPSED", "TimeForm", "guess_number_form", "guess_text_form", "read_times"]

F64 = NDArray[np.float64]

ELAPSED = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": 86400.0}
# Unix times of 2001 to 2096 by their size; shorter units have three digits more each.
_UNIX = {"s": (1.0e9, 4.0e9), "ms": (1.0e12, 4.0e12), "us": (1.0e15, 4.0e15), "ns": (1.0e18, 4.0e18)}
_SERIAL = (29_221.0, 73_050.0)  # days since 1899-12-30 of 1980 to 2100, as spreadsheets count
_SERIAL_ORIGIN = -25_569.0  # 1970-01-01 in those days

_DATES = (  # pattern, formats in order of preference
    (r"\d{4}-\d{1,2}-\d{1,2}", ("%Y-%m-%d",)),
    (r"\d{4}/\d{1,2}/\d{1,2}", ("%Y/%m/%d",)),
    (r"\d{4}\.\d{1,2}\.\d{1,2}", ("%Y.%m.%d",)),
    (r"\d{8}", ("%Y%m%d",)),
    (r"\d{1,2}\.\d{1,2}\.\d{4}", ("%d.%m.%Y",)),
    (r"\d{1,2}\.\d{1,2}\.\d{2}", ("%d.%m.%y",)),
    (r"\d{1,2}/\d{1,2}/\d{4}", ("%d/%m/%Y", "%m/%d/%Y")),
    (r"\d{1,2}/\d{1,2}/\d{2}", ("%d/%m/%y", "%m/%d/%y")),
    (r"\d{1,2}-\d{1,2}-\d{4}", ("%d-%m-%Y", "%m-%d-%Y")),
    (r"\d{1,2}-\d{1,2}-\d{2}", ("%d-%m-%y", "%m-%d-%y")),
    (r"\d{1,2} [A-Za-z]{3} \d{4}", ("%d %b %Y",)),
    (r"\d{1,2}-[A-Za-z]{3}-\d{4}", ("%d-%b-%Y",)),
    (r"\d{1,2}-[A-Za-z]{3}-\d{2}", ("%d-%b-%y",)),
    (r"[A-Za-z]{3} \d{1,2},? \d{4}", ("%b %d %Y",)),
)
_STAMP = re.compile(
    r"(?P<date>" + "|".join(pattern for pattern, _ in _DATES) + r")"
    r"(?:(?P<gap>T|,? +|_)(?P<time>\d{1,2}:\d{2}(?P<s>:\d{2}(?P<f>[.,]\d+)?)?|\d{6})\s*(?P<half>[AaPp][Mm])?)?"
    r"\s*(?P<zone>Z|UTC|GMT|[-+]\d{2}:?\d{2})?"
)
_SPAN = re.compile(
    r"(?:\d+ days? )?(?P<h>\d{1,5}):(?P<m>\d{2})(?P<s>:\d{2}(?:[.,]\d+)?)?(?P<f>[.,]\d+)?\s*(?P<half>[AaPp][Mm])?"
)


_SPELLED = (
    ("%Y", "YYYY"), ("%y", "YY"), ("%m", "MM"), ("%d", "DD"), ("%H:%M:%S", "h:m:s"), ("%I:%M:%S %p", "h:m:s AM/PM"),
    ("%H%M%S", "hhmmss"), ("%H:%M", "h:m"), ("%I:%M %p", "h:m AM/PM"), ("%b", "month"),
)  # fmt: skip
_TAKEN_APART = (  # date and time, fraction of a second, half of the day, zone
    r"^(.*?)(?:(?<=:\d\d)[.,](\d+))?(?:\s*([AaPp][Mm]))?\s*(Z|UTC|GMT|[-+]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How cells say the time.

    Attributes:
        kind: elapsed (a number times `scale_s`), unix, serial (days of a spreadsheet), span (H:M:S) or stamp.
        format: of strptime, for stamps; fractions of a second are cut off before and added after.
        zone: stamps say their zone themselves.
        or_else: another format that reads the sample as well.
    """

    kind: str
    scale_s: float = 1.0
    format: str = ""
    zone: bool = False
    or_else: str = ""

    @property
    def dated(self) -> bool:
        """Whether it says the day."""
        return self.kind in ("unix", "serial", "stamp")

    def words(self) -> str:
        """The form in words."""
        unit = next((name for name, scale in ELAPSED.items() if scale == self.scale_s), f"{self.scale_s:g} s")
        match self.kind:
            case "elapsed":
                return f"time in {unit}"
            case "unix":
                return f"time in {unit} since 1970 (UTC)"
            case "serial":
                return "time in days, as spreadsheets count them"
            case "span":
                return {"H:M": "time as hours:minutes", "M:S": "time as minutes:seconds"}.get(
                    self.format, "time as H:M:S"
                )
        spelled = self.format
        for sign, word in _SPELLED:
            spelled = spelled.replace(sign, word)
        return f"date and time as {spelled}" + (", with its zone" if self.zone else "")


def guess_text_form(cells: Sequence[str], now: datetime, day_first: bool | None) -> TimeForm | None:
    """The form of a column of texts (missing ones left out), or None.

    Args:
        cells: from the beginning and the end of the table, in its order.
        now: no measurement is later than this.
        day_first: what the user said, or the rest of the table lets expect; None: nothing does.
    """
    cells = [" ".join(cell[:65].split()) for cell in cells]
    if any(len(cell) > 64 for cell in cells):
        return None
    spans = [_SPAN.fullmatch(cell) for cell in cells]
    if cells and all(spans):
        return _span_form([span for span in spans if span])
    stamps = [_STAMP.fullmatch(cell) for cell in cells]
    if not cells or not all(stamps):
        return None
    first = max((stamp for stamp in stamps if stamp), key=lambda stamp: len(stamp["time"] or ""))
    good = [f for f in _formats(first) if _fits(cells, f, now, bool(first["zone"]))]
    if not good:
        return None
    smooth = [f for f in good if _smooth(cells, f, bool(first["zone"]))]
    if len(good) > 1 and len(smooth) == 1:
        good = smooth
    if len(good) > 1 and day_first is not None:
        good = good[:1] if day_first else good[1:]
    return TimeForm("stamp", format=good[0], zone=bool(first["zone"]), or_else=good[1] if len(good) > 1 else "")


def _span_form(spans: Sequence[re.Match[str]]) -> TimeForm:
    if any(span["s"] for span in spans):
        return TimeForm("span", format="H:M:S")
    if any(span["half"] for span in spans):
        return TimeForm("span", format="H:M")
    if any(span["f"] for span in spans) or any(int(span["h"]) > 23 for span in spans):
        return TimeForm("span", format="M:S", or_else="H:M" if not any(span["f"] for span in spans) else "")
    return TimeForm("span", format="M:S", or_else="H:M")


def _formats(stamp: re.Match[str]) -> list[str]:
    dates = next(formats for pattern, formats in _DATES if re.fullmatch(pattern, stamp["date"]))
    time = ""
    if stamp["time"]:
        hour = "%I" if stamp["half"] else "%H"
        time = "%H%M%S" if ":" not in stamp["time"] else f"{hour}:%M" + (":%S" if stamp["s"] else "")
        time = " " + time + (" %p" if stamp["half"] else "")
    return [date + time for date in dates]


def _fits(cells: Sequence[str], form: str, now: datetime, zone: bool) -> bool:
    seconds = read_times(pd.Series(cells, dtype=object), TimeForm("stamp", format=form, zone=zone))
    return bool(np.isfinite(seconds).all() and seconds.max() <= now.timestamp() + 86400.0)


def _smooth(cells: Sequence[str], form: str, zone: bool) -> bool:
    """No step of weeks: those come from a day taken for a month."""
    step = np.diff(read_times(pd.Series(cells, dtype=object), TimeForm("stamp", format=form, zone=zone)))
    return not len(step) or bool(np.abs(step).max() < 20 * 86400.0)


def guess_number_form(values: F64, named_unit: str | None) -> tuple[TimeForm | None, str]:
    """The form of a column of numbers, and a doubt in words (empty: none).

    The form is None where the unit stays open: nothing tells 1000 s from 1000 ms.
    """
    level, step = float(np.median(values)), _usual_step(values)
    for name, (low, high) in _UNIX.items():
        if low <= level <= high and level > 1000 * abs(values[-1] - values[0]) / 60:
            return TimeForm("unix", ELAPSED[name]), ""
    if _SERIAL[0] <= level <= _SERIAL[1] and step < 0.02 and named_unit in (None, "d"):
        return TimeForm("serial"), ""
    if named_unit in ELAPSED:
        return TimeForm("elapsed", ELAPSED[named_unit]), _doubt(values, step, named_unit)
    return _unnamed(values, step)


def _doubt(values: F64, step: float, unit: str) -> str:
    step_s, span_s = step * ELAPSED[unit], abs(float(values[-1] - values[0])) * ELAPSED[unit]
    if step_s > 1800.0 or span_s > 60 * 86400.0:
        return f"rows {step_s:g} s apart, {span_s / 3600:.4g} h in all: is the time really in {unit}?"
    if 0 < step_s < 0.002:
        return f"rows {step_s * 1e3:g} ms apart: is the time really in {unit}?"
    return ""


def _unnamed(values: F64, step: float) -> tuple[TimeForm | None, str]:
    """Without a unit: seconds, unless the pace is one of milliseconds.

    Loggers of packs take up to 100 scans a second, or one in up to 15 minutes (common practice): what fits neither
    seconds nor milliseconds, or both, is left open.
    """
    whole = bool((values == np.rint(values)).all())
    if whole and step >= 1000 and step % 50 == 0:
        return TimeForm("elapsed", 1e-3), ""
    if whole and step in (100.0, 200.0, 250.0, 500.0):
        return TimeForm("elapsed", 1e-3), ""
    if step <= 60 or step in (120.0, 300.0, 600.0, 900.0):
        return (TimeForm("elapsed", 1.0), "") if step >= 0.01 else (None, "")
    return None, ""


def _usual_step(values: F64) -> float:
    step = np.abs(np.diff(values))
    step = step[step > 0]
    return float(np.median(step)) if len(step) else 0.0


def read_times(cells: pd.Series[Any], form: TimeForm) -> F64:
    """Cells as seconds: since 1970 where the form is dated, else since the table's own zero; NaN for what is no time.

    Stamps without a zone are read as if in UTC.
    """
    if form.kind == "stamp":
        return _stamps(cells, form)
    if form.kind == "span":
        return _spans(cells, form)
    values = pd.to_numeric(cells, errors="coerce").to_numpy(np.float64)
    if form.kind == "serial":
        return np.asarray(np.rint((values + _SERIAL_ORIGIN) * 86400.0 * 1000.0) / 1000.0)
    return np.asarray(values * form.scale_s)


def _stamps(cells: pd.Series[str], form: TimeForm) -> F64:
    text = cells.astype(str).str.strip()
    if form.format.startswith("%Y-%m-%d"):  # ISO 8601 and its like: read quickly, with fractions and zones mixed
        text = text.str.replace(" UTC", "Z").str.replace(",", ".")
        return _seconds(pd.to_datetime(text.to_numpy(object), format="ISO8601", errors="coerce", utc=True))
    parts = text.str.extract(_TAKEN_APART)
    bare = parts[0].str.replace(r"T|,? +|_", " ", regex=True).str.strip()
    if "%p" in form.format:
        bare = bare + " " + parts[2].str.upper()
    bare = bare + parts[3].str.replace(r"UTC|GMT", "Z", regex=True).fillna("Z")
    whole = pd.to_datetime(bare.to_numpy(object), format=form.format + "%z", errors="coerce", utc=True)
    return np.asarray(_seconds(whole) + ("0." + parts[1].fillna("0")).astype(float).to_numpy(np.float64))


def _seconds(found: pd.DatetimeIndex) -> F64:
    return np.where(found.isna(), np.nan, found.as_unit("us").asi8 / 1e6)


def _spans(cells: pd.Series[str], form: TimeForm) -> F64:
    text = cells.astype(str).str.strip().str.replace(",", ".")
    half = text.str.extract(r"([AaPp])[Mm]$")[0].str.lower()
    bare = text.str.replace(r"\s*[AaPp][Mm]$", "", regex=True)
    if form.format == "M:S":
        bare = "00:" + bare
    elif form.format == "H:M":
        bare = bare + ":00"
    seconds = pd.to_timedelta(bare, errors="coerce").dt.total_seconds().to_numpy(np.float64)
    if half.notna().any():
        seconds = seconds % 43200.0 + np.where(half == "p", 43200.0, 0.0)
    return np.asarray(seconds)


def other_reading(form: TimeForm) -> TimeForm:
    """The form with its other format, which read the sample as well."""
    return replace(form, format=form.or_else, or_else=form.format)
