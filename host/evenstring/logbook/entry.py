"""What one recording adds to the history of a pack: figures a group, from the session and what was found in it."""

from __future__ import annotations

import json
from dataclasses import MISSING, asdict, dataclass, fields, replace
from datetime import UTC, datetime
from math import isfinite
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import onward
from evenstring.analysis.series.resistance import group_resistance
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import make_signals
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.logbook.figures import (
    Rest,
    Sag,
    energy_wh,
    mean_c,
    rests_of,
    seconds_below_empty,
    soc_range,
    stood_at,
    worst_sag,
)
from evenstring.report.material import Material
from evenstring.session import Session

__all__ = ["Entry", "entry_of", "from_text", "to_text"]

F64 = NDArray[np.float64]
Column = tuple[float | None, ...]
_Part = TypeVar("_Part", Rest, Sag)
_END_S = 60.0  # averaged at the end of a charge: our choice
_CHARGED = ("full", "ended_uneven", "charger_low")  # ends after which the light was on: as in report.json
_MOST_CAPACITY_U = 0.1  # of the capacity: what is known no better makes no point of a trend: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording. What it does not tell is None, a group's figure that is not known too.

    Attributes:
        start_s: since 1970, None where the recording does not say.
        groups: in series.
        departure_mv: of each group from the median one when the last charge ended, `departure_sigma_mv` of one.
        resistance: of each group over the median one's, `resistance_sigma` of one.
        ended: how the last charge ended. balanced: by the words of the report.
        held_h: on the charger after its light.
        charged_ah: in all charges. capacity_ah: as the profile says, for equivalent full cycles.
        below_discard: groups that were there. action: of the verdict.
        capacity: of each group over the median one's, `capacity_sigma` of one.
        charge_percent: of each group above the median one at the last held or relaxed end, `charge_sigma` of one.
        leak_percent_week: what each loses more than the median one, of capacity, where several recordings were given.
        first_rest, last_rest: ends of the first and the last relaxed rest.
        began_percent, left_percent: % of the cells' own range at the first and the last row.
        empty_percent, full_percent: % of that range between which the vehicle's 0 to 100 % lies, as far as seen.
        charged_wh, discharged_wh: in and out. below_empty: groups that were, and for how long in all, s.
        sag: the deepest one. resistance_mohm: of the median group at once, at `temperature_c`, mean of the recording.
        bleed_ma: of the balancer, as seen. calibrated_s: when the calibration in force was found, since 1970.
        board_id: of the board. digest: SHA-256 of the recording; empty where nobody gave it.
    """

    start_s: float | None
    duration_s: float
    groups: int
    departure_mv: Column
    departure_sigma_mv: float | None
    resistance: Column
    resistance_sigma: float | None
    ended: str
    balanced: bool | None
    held_h: float | None
    spread_end_mv: float | None
    spread_rest_mv: float | None
    charged_ah: float | None
    capacity_ah: float
    below_discard: tuple[tuple[int, float], ...]
    action: str
    capacity: Column = ()
    capacity_sigma: float | None = None
    charge_percent: Column = ()
    charge_sigma: float | None = None
    leak_percent_week: Column = ()
    leak_sigma: float | None = None
    first_rest: Rest | None = None
    last_rest: Rest | None = None
    began_percent: float | None = None
    left_percent: float | None = None
    empty_percent: float | None = None
    full_percent: float | None = None
    charged_wh: float | None = None
    discharged_wh: float | None = None
    below_empty: tuple[tuple[int, float], ...] = ()
    sag: Sag | None = None
    resistance_mohm: float | None = None
    temperature_c: float | None = None
    bleed_ma: float | None = None
    calibrated_s: float | None = None
    board_id: str = ""
    digest: str = ""


def entry_of(material: Material, digest: str = "") -> Entry:
    """The entry of a session and its findings; `digest` is of the file that it was read from."""
    session, found, profile = material.session, material.found, material.profile
    charge = found.charge
    held_h = None
    if charge.light_at_s is not None and charge.end_s is not None:
        held_h = max(charge.end_s - charge.light_at_s, 0.0) / 3600.0
    state = found.balancing.state
    seen = [e for e in found.events if e.kind == "below_discard"]
    visits = [(e.group, float(profile.discard_v if e.extreme_v is None else e.extreme_v)) for e in seen]
    return Entry(
        start_s=None if session.start is None else _seconds(session.start),
        duration_s=float(session.duration_s),
        groups=session.groups,
        ended=charge.ended,
        balanced=None if state == "not_reached" else state == "balanced",
        held_h=held_h if charge.ended in _CHARGED else None,
        spread_end_mv=found.balancing.spread_mv,
        spread_rest_mv=found.spread.rest_mv,
        charged_ah=_total([c.charged_ah for c in found.charges]),
        capacity_ah=profile.capacity_ah,
        below_discard=tuple(visits),
        below_empty=seconds_below_empty(found),
        action=found.verdict.action,
        bleed_ma=found.balancing.bleed_ma,
        board_id=session.ident.board_id,
        digest=digest,
        **_of_groups(material),
        **_of_string(material),
    )


def _of_groups(material: Material) -> dict[str, Any]:
    """What was found of each group, with the uncertainty of one."""
    session, found, groups = material.session, material.found, material.session.groups
    departure, departure_sigma = _at_end(session, material)
    ratio, ratio_sigma, mohm = _resistance(session)
    capacity = {f.group: 1.0 + f.capacity_percent / 100.0 for f in found.figures}
    capacity_sigma = _middle([f.capacity_u_percent / 100.0 for f in found.figures])
    told = capacity_sigma is not None and capacity_sigma < _MOST_CAPACITY_U
    percent = 100.0 / material.profile.capacity_ah
    charge = {r.group: -percent * r.add_ah for r in found.repair}
    leaks = material.second.all_leaks if material.second else ()
    return {
        "departure_mv": departure,
        "departure_sigma_mv": departure_sigma,
        "resistance": ratio,
        "resistance_sigma": ratio_sigma,
        "resistance_mohm": mohm,
        "capacity": _column(capacity, groups) if told else (),
        "capacity_sigma": capacity_sigma if told else None,
        "charge_percent": _column(charge, groups),
        "charge_sigma": _middle([percent * (r.high_ah - r.low_ah) / 4.0 for r in found.repair]),
        "leak_percent_week": _column({group: rate for group, rate, _, _ in leaks}, groups),
        "leak_sigma": _middle([(high - low) / 2.0 / _Z90 for _, _, low, high in leaks]),
    }


def _of_string(material: Material) -> dict[str, Any]:
    """What was found of the whole string."""
    session, found, profile = material.session, material.found, material.profile
    if session.scans < 2:
        return {}
    session = replace(session, time_s=onward(session.time_s))
    signals = make_signals(session)
    first, last = rests_of(session, signals, found.phases, profile)
    began, left = stood_at(signals, meter_error(session), found, profile)
    empty, full = soc_range(found, profile)
    charged_wh, discharged_wh = energy_wh(signals)
    calibrated = [c.found for c in session.corrections if c.found is not None]
    return {
        "first_rest": first,
        "last_rest": last,
        "began_percent": began,
        "left_percent": left,
        "empty_percent": empty,
        "full_percent": full,
        "charged_wh": charged_wh,
        "discharged_wh": discharged_wh,
        "sag": worst_sag(session, signals, found.phases),
        "temperature_c": mean_c(session, 0.0, session.duration_s),
        "calibrated_s": _seconds(calibrated[-1]) if calibrated else None,
    }


def _seconds(start: datetime) -> float:
    """A start without a zone is taken as UTC, as recordings write it."""
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp()


def _at_end(session: Session, material: Material) -> tuple[Column, float | None]:
    """Departures at the end of the last held voltage, mV, and the standard uncertainty of one."""
    held = [p for p in material.found.phases if p.kind == "charge_cv"]
    unknown = (None,) * session.groups, None
    if not held:
        return unknown
    rows = rows_in(session.time_s, held[-1]) & (session.time_s >= held[-1].end_s - _END_S)
    if not rows.any():
        return unknown
    volts = session.volts_v[rows].mean(axis=0, dtype=np.float64)
    away = 1e3 * (volts - np.nanmedian(volts)) if np.isfinite(volts).any() else volts
    # Of offsets that stay the same no trend is made: what is left of a mean is its noise, and the meter's steps.
    noise = float(np.nanmedian(np.nanstd(session.volts_v[rows], axis=0))) / np.sqrt(max(int(rows.sum()), 1))
    return tuple(_known(v) for v in away), max(float(1e3 * noise), 0.2)


def _resistance(session: Session) -> tuple[Column, float | None, float | None]:
    """Ratios to the median group, the uncertainty of one, and the median group's, mohm."""
    seen = group_resistance(session) if session.has_current else None
    if seen is None or not float(np.median(seen[0])) > 0.0:
        return (None,) * session.groups, None, None
    middle = float(np.median(seen[0]))
    return tuple(_known(v) for v in seen[0] / middle), float(np.median(seen[1])) / middle, round(1e3 * middle, 4)


def _column(known: dict[int, float], groups: int) -> Column:
    """By group; nothing at all where no group is known."""
    return tuple(_known(known.get(g, np.nan)) for g in range(1, groups + 1)) if known else ()


def _total(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def _middle(values: list[float]) -> float | None:
    return round(float(np.median(values)), 6) if values else None


def _known(value: float) -> float | None:
    return round(float(value), 5) if isfinite(value) else None


def to_text(entry: Entry) -> str:
    """As JSON, for the logbook."""
    return json.dumps(asdict(entry), allow_nan=False)


def from_text(text: str) -> Entry:
    """Back from JSON; keys of later versions are passed over, those that an earlier one did not have are unknown."""
    read: dict[str, Any] = json.loads(text)
    known: dict[str, Any] = {
        f.name: read.get(f.name, None if f.default is MISSING else f.default) for f in fields(Entry)
    }
    for name in ("departure_mv", "resistance"):
        known[name] = tuple(known[name] or (None,) * read["groups"])
    for name in ("capacity", "charge_percent", "leak_percent_week"):
        known[name] = tuple(known[name] or ())
    for name in ("below_discard", "below_empty"):
        known[name] = tuple((int(g), float(v)) for g, v in known[name] or ())
    for name in ("first_rest", "last_rest"):
        known[name] = _rest(known[name])
    known["sag"] = None if known["sag"] is None else _made(Sag, known["sag"])
    return Entry(**known)


def _rest(read: dict[str, Any] | None) -> Rest | None:
    return None if read is None else _made(Rest, {**read, "charge_percent": tuple(read["charge_percent"])})


def _made(of: type[_Part], read: dict[str, Any]) -> _Part:
    """A part of an entry, without keys of later versions."""
    return of(**{name: value for name, value in read.items() if name in {f.name for f in fields(of)}})
