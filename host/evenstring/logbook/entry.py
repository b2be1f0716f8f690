"""What one recording adds to the history of a pack: figures a group, from the session and what was found in it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.resistance import group_resistance
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.report.material import Material
from evenstring.session import Session

__all__ = ["Entry", "entry_of", "from_text", "to_text"]

F64 = NDArray[np.float64]
_END_S = 60.0  # averaged at the end of a charge: our choice
_CHARGED = ("full", "ended_uneven", "charger_low")  # ends after which the light was on: as in report.json


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
    """

    start_s: float | None
    duration_s: float
    groups: int
    departure_mv: tuple[float | None, ...]
    departure_sigma_mv: float | None
    resistance: tuple[float | None, ...]
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


def entry_of(material: Material) -> Entry:
    """The entry of a session and its findings."""
    session, found = material.session, material.found
    departure, sigma = _at_end(session, material)
    ratio, ratio_sigma = _resistance(session)
    charge = found.charge
    held_h = None
    if charge.light_at_s is not None and charge.end_s is not None:
        held_h = max(charge.end_s - charge.light_at_s, 0.0) / 3600.0
    state = found.balancing.state
    seen = [e for e in found.events if e.kind == "below_discard"]
    visits = [(e.group, float(material.profile.discard_v if e.extreme_v is None else e.extreme_v)) for e in seen]
    return Entry(
        start_s=None if session.start is None else _seconds(session.start),
        duration_s=float(session.duration_s),
        groups=session.groups,
        departure_mv=departure,
        departure_sigma_mv=sigma,
        resistance=ratio,
        resistance_sigma=ratio_sigma,
        ended=charge.ended,
        balanced=None if state == "not_reached" else state == "balanced",
        held_h=held_h if charge.ended in _CHARGED else None,
        spread_end_mv=found.balancing.spread_mv,
        spread_rest_mv=found.spread.rest_mv,
        charged_ah=charge.charged_ah,
        capacity_ah=material.profile.capacity_ah,
        below_discard=tuple(visits),
        action=found.verdict.action,
    )


def _seconds(start: datetime) -> float:
    """A start without a zone is taken as UTC, as recordings write it."""
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp()


def _at_end(session: Session, material: Material) -> tuple[tuple[float | None, ...], float | None]:
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
    return tuple(_known(v) for v in away), max(1e3 * noise, 0.2)


def _resistance(session: Session) -> tuple[tuple[float | None, ...], float | None]:
    seen = group_resistance(session) if session.has_current else None
    if seen is None or not float(np.median(seen[0])) > 0.0:
        return (None,) * session.groups, None
    middle = float(np.median(seen[0]))
    return tuple(_known(v) for v in seen[0] / middle), float(np.median(seen[1])) / middle


def _known(value: float) -> float | None:
    return round(float(value), 5) if isfinite(value) else None


def to_text(entry: Entry) -> str:
    """As JSON, for the logbook."""
    return json.dumps(asdict(entry), allow_nan=False)


def from_text(text: str) -> Entry:
    """Back from JSON; keys of later versions are passed over, those that an earlier one did not have are unknown."""
    read: dict[str, Any] = json.loads(text)
    known: dict[str, Any] = {name: read.get(name) for name in Entry.__dataclass_fields__}
    for name in ("departure_mv", "resistance"):
        known[name] = tuple(known[name] or (None,) * read["groups"])
    known["below_discard"] = tuple((int(g), float(v)) for g, v in known["below_discard"] or ())
    return Entry(**known)
