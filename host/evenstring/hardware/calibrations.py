"""Calibrations of one board, one after the other: when, with what, how far off it was, and when the next is due."""

from __future__ import annotations

import calendar
import json
import math
import statistics
from collections.abc import Sequence
from dataclasses import MISSING, dataclass, fields
from datetime import UTC, date, datetime
from typing import Any

from evenstring.checked_toml import Checked, ValueRule
from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel
from evenstring.session import Session

__all__ = [
    "INTERVAL_MONTHS",
    "Calibration",
    "Drift",
    "calibration_due_since",
    "calibrations_toml",
    "drift",
    "due_on",
    "due_since",
    "of_channels",
    "parse_calibrations",
    "rms_mv",
]

INTERVAL_MONTHS = 12  # between two calibrations; common practice
_K = 2.0  # expanded uncertainty, about 95 %; JCGM 100:2008, 6.3, published
_CHANCE = 0.05  # that any group is said to have moved where none did; common practice
_YEARS = (2000, 2200)  # a date outside is a mistake; our choice
_MOST_GROUPS = 40
_LINE = ValueRule(str, longest=120)  # characters: our choice
_MV, _UNCERTAIN = ValueRule(low=0, high=1000), ValueRule(above=0, high=1000)
_RULES = {
    "found": _LINE, "board": _LINE, "interval_months": ValueRule(low=1, high=120, whole=True),
    "meter": _LINE, "meter_calibrated": _LINE, "meter_certificate": _LINE, "meter_uncertainty": _LINE,
    "operator": _LINE, "temperature_c": ValueRule(low=-60, high=90), "points": ValueRule(low=1, high=1e6, whole=True),
    "low_v": ValueRule(above=0, high=10), "high_v": ValueRule(above=0, high=10),
    "largest_found_mv": _MV, "rms_found_mv": _MV, "rms_left_mv": _MV, "u_own_mv": _UNCERTAIN,
    "u_reference_mv": _UNCERTAIN, "offset_uv": ValueRule(list), "gain_ppm": ValueRule(list),
}  # fmt: skip
_HEAD = """\
# Calibrations of one board, oldest first; kept by evenstring. In order of the groups:
# corrected = (reading + offset_uv) x (1 + gain_ppm / 10^6). Errors are reading less reference; u_... are k = 1.
"""


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration. Texts that nobody gave are empty.

    Attributes:
        found: when the reference readings were taken.
        points: reference readings of all groups.
        low_v, high_v: between which voltages.
        largest_found_mv, rms_found_mv, rms_left_mv: errors at the points, as found and as left.
        u_own_mv, u_reference_mv: what it leaves unknown of one channel against another, and of all alike (k = 1).
        offset_uv, gain_ppm: the whole correction from then on, what was in force before included.
    """

    found: datetime
    board: str
    interval_months: int
    points: int
    low_v: float
    high_v: float
    largest_found_mv: float
    rms_found_mv: float
    rms_left_mv: float
    u_own_mv: float
    u_reference_mv: float
    offset_uv: tuple[int, ...]
    gain_ppm: tuple[int, ...]
    meter: str = ""
    meter_calibrated: str = ""
    meter_certificate: str = ""
    meter_uncertainty: str = ""
    operator: str = ""
    temperature_c: float | None = None

    @property
    def due(self) -> date:
        """The day from which the next one is due."""
        return due_on(self.found.date(), self.interval_months)

    def correction_mv(self, group: int, volts_v: float) -> float:
        """What it adds to a reading of so many volts of a group, from 1."""
        offset_v, gain = self.offset_uv[group - 1] * 1e-6, self.gain_ppm[group - 1] * 1e-6
        return ((volts_v + offset_v) * (1 + gain) - volts_v) * 1e3


@dataclass(frozen=True, slots=True)
class Drift:
    """What moved between two calibrations, as error of a reading; E_n above 1 is beyond what both leave unknown.

    E_n is the difference over its expanded uncertainty (ISO/IEC 17043, ISO 13528).

    Attributes:
        common_mv, common_en: of all groups together: the median.
        own_mv, own_en: (g,) of each group against that.
    """

    since: date
    common_mv: float
    common_en: float
    own_mv: tuple[float, ...]
    own_en: tuple[float, ...]

    @property
    def beyond(self) -> tuple[int, ...]:
        """Groups, from 1, that moved by more than both calibrations leave unknown.

        Of many groups one is easily at E_n of 1 by chance: the bound is that which one of all passes in 5 % of cases
        (Bonferroni), 1.5 for 20 groups.
        """
        bound = statistics.NormalDist().inv_cdf(1 - _CHANCE / (2 * len(self.own_en))) / _K
        return tuple(g for g, en in enumerate(self.own_en, start=1) if en > bound)


def due_on(found: date, months: int = INTERVAL_MONTHS) -> date:
    """The same day of the month so many months later, or the last one of a shorter month."""
    year, month = divmod(found.month - 1 + months, 12)
    year, month = found.year + year, month + 1
    return date(year, month, min(found.day, calendar.monthrange(year, month)[1]))


def due_since(found: date | None, at: date | None, months: int = INTERVAL_MONTHS) -> date | None:
    """Since when a calibration was due at a day; None: it was not, or one of the days is not known."""
    if found is None or at is None:
        return None
    due = due_on(found, months)
    return due if at >= due else None


def calibration_due_since(session: Session) -> date | None:
    """Since when the monitor's calibration was due while it recorded; None: it was not, or a day is not known."""
    if not session.corrections or session.corrections[-1].found is None or session.start is None:
        return None
    return due_since(session.corrections[-1].found.date(), session.start.date())


def rms_mv(errors_v: Sequence[float]) -> float:
    """Root of the mean square, in mV."""
    return math.sqrt(statistics.fmean(v * v for v in errors_v)) * 1e3


def drift(before: Calibration, after: Calibration) -> Drift:
    """What the board's readings moved by between two calibrations, in the middle of the later one's voltages.

    Raises:
        InputError: they have different numbers of groups.
    """
    if len(before.offset_uv) != len(after.offset_uv):
        raise InputError(
            f"the calibration of {before.found:%Y-%m-%d} is of {len(before.offset_uv)} groups, the one after it of"
            f" {len(after.offset_uv)}; keep each board's calibrations in a folder of its own"
        )
    volts_v = (after.low_v + after.high_v) / 2
    groups = range(1, len(after.offset_uv) + 1)
    moved = [before.correction_mv(g, volts_v) - after.correction_mv(g, volts_v) for g in groups]
    common = statistics.median(moved)
    own = tuple(m - common for m in moved)
    common_u, own_u = (
        _K * math.hypot(getattr(before, name), getattr(after, name)) for name in ("u_reference_mv", "u_own_mv")
    )
    return Drift(before.found.date(), common, abs(common) / common_u, own, tuple(abs(m) / own_u for m in own))


def parse_calibrations(text: str, where: str) -> tuple[Calibration, ...]:
    """Calibrations from the text of their file, in its order.

    Raises:
        InputError: with line and reason.
    """
    doc = Checked(text, where)
    doc.check_tables(["calibration"])
    return tuple(_one(doc, k, content) for k, content in enumerate(doc.tables("calibration")))


def calibrations_toml(calibrations: Sequence[Calibration]) -> str:
    """The text of the file."""
    return _HEAD + "".join(_table(one) for one in calibrations)


def of_channels(channels: Sequence[Channel]) -> dict[str, Any]:
    """What channels say of a calibration, as values of its fields."""
    fits = [fit for c in channels for fit in c.fits]
    return {
        "points": len(fits),
        "low_v": min(f.volts_v for f in fits),
        "high_v": max(f.volts_v for f in fits),
        "largest_found_mv": max(abs(f.found_v) for f in fits) * 1e3,
        "rms_found_mv": rms_mv([f.found_v for f in fits]),
        "rms_left_mv": rms_mv([f.left_v for f in fits]),
        "u_own_mv": max(c.u_own_v for c in channels) * 1e3,
        "u_reference_mv": max(c.u_reference_v for c in channels) * 1e3,
    }


def _one(doc: Checked, index: int, content: dict[str, Any]) -> Calibration:
    values = doc.values("calibration", index, content, _RULES)
    missing = [f.name for f in fields(Calibration) if f.name not in values and f.default is MISSING]
    if missing:
        raise doc.error("calibration", index, "", f"{', '.join(missing)} is missing")
    try:
        found = datetime.fromisoformat(values["found"])
    except ValueError as error:
        raise doc.error("calibration", index, "found", f"found is no date and time ({error})") from error
    if not _YEARS[0] <= found.year <= _YEARS[1]:
        raise doc.error("calibration", index, "found", f"found is of the year {found.year}; correct it")
    for key in ("offset_uv", "gain_ppm"):
        if not all(type(v) is int for v in values[key]) or not 1 <= len(values[key]) <= _MOST_GROUPS:
            raise doc.error("calibration", index, key, f"{key} must be whole numbers, one a group")
    if len(values["offset_uv"]) != len(values["gain_ppm"]):
        raise doc.error("calibration", index, "gain_ppm", "offset_uv and gain_ppm must be as long as each other")
    values |= {key: tuple(values[key]) for key in ("offset_uv", "gain_ppm")}
    values |= {key: int(values[key]) for key in ("points", "interval_months")}
    return Calibration(**values | {"found": found if found.tzinfo else found.replace(tzinfo=UTC)})


def _table(one: Calibration) -> str:
    lines = ["\n[[calibration]]"]
    for field in fields(Calibration):
        value = getattr(one, field.name)
        if field.default is MISSING or value not in ("", None):
            lines.append(f"{field.name} = {_written(value)}")
    return "\n".join(lines) + "\n"


def _written(value: Any) -> str:
    if isinstance(value, datetime):
        return f'"{value.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"'
    if isinstance(value, str):
        return json.dumps(value.encode("utf-8", "replace").decode(), ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        return str(list(value))
    return repr(round(value, 4) if isinstance(value, float) else value)
