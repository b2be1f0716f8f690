"""What one recording says in evidence: from its report.json and its entry, with which meter, how surely."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from evenstring.logbook.entry import Entry, from_text, to_text
from evenstring.logbook.evidence.typed import typed
from evenstring.logbook.store.files import Seen

__all__ = ["Facts", "Interval", "Kept", "facts_from", "facts_of", "stamp"]

Kept = Literal["there", "gone", "changed"]
Interval = tuple[float | None, float | None, float | None]  # value, low, high; 95 %


@dataclass(frozen=True, slots=True)
class Facts:
    """One recording. Names are those of evidence.json.

    Attributes:
        number: in the logbook.
        file: the name alone; where it lies is nobody's business but its owner's.
        kept: whether the file was there unchanged when the evidence was written.
        made_by: the version that found what stands here.
        pack_toml: the profile in force, with which it can be computed again; empty: of an older version, not kept.
        wishes: what the user said of a table, as JSON; empty: nothing, or no table.
        start: ISO 8601 in UTC, None where the recording does not say.
        spread_end_mv, spread_rest_mv: value with its 95 % interval.
        meter: who read, and how well: board_id, front_end, firmware, noise_mv, channel_u_mv, gain_u_percent
            (standard uncertainties), calibration and the date at which it was found.
        not_known: keys of report.json that are open.
        entry: figures a group, as the logbook keeps them.
    """

    number: int
    file: str
    sha256: str
    bytes: int
    kept: Kept
    made_by: str
    pack_toml: str
    wishes: str
    start: str | None
    duration_s: float
    has_current: bool
    frames_damaged: int
    frames_lost: int
    action: str
    confidence: float
    reasons: tuple[str, ...]
    next_step: str
    ended: str
    spread_end_mv: Interval
    spread_rest_mv: Interval
    meter: dict[str, Any]
    not_known: tuple[str, ...]
    entry: dict[str, Any]

    @property
    def of_entry(self) -> Entry:
        """The entry as the trends take it."""
        return from_text(json.dumps(self.entry))


def facts_of(number: int, file: Seen, wishes: str, kept: Kept, entry: Entry, report: dict[str, Any]) -> Facts:
    """The facts of a recording.

    Args:
        number: in the logbook.
        file: which one, with its digest.
        wishes: as in `Facts`.
        kept: whether the file is still that one.
        entry: as the logbook keeps it.
        report: its report.json, as plain values.
    """
    recording, verdict = report["recording"], report["verdict"]
    return Facts(
        number=number,
        file=file.path.name,
        sha256=file.sha256,
        bytes=file.size,
        kept=kept,
        made_by=report["made_by"],
        pack_toml=report["profile"].get("toml", ""),
        wishes=wishes,
        start=None if entry.start_s is None else stamp(entry.start_s),
        duration_s=recording["duration_s"],
        has_current=recording["has_current"],
        frames_damaged=recording["frames_damaged"],
        frames_lost=recording["frames_lost"],
        action=verdict["action"],
        confidence=verdict["confidence"],
        reasons=tuple(verdict["reasons"]),
        next_step=verdict["next_step"],
        ended=report["charge"]["ended"],
        spread_end_mv=_claim(report["spread"], "end"),
        spread_rest_mv=_claim(report["spread"], "rest"),
        meter=_meter(report["instrument"]),
        not_known=tuple(sorted(report["unknown"])),
        entry={key: value for key, value in json.loads(to_text(entry)).items() if key != "digest"},
    )


def facts_from(written: dict[str, Any]) -> Facts:
    """Back from evidence.json; keys of later versions are passed over.

    Raises:
        KeyError, TypeError, ValueError: it is no such thing.
    """
    made = typed(Facts, written)
    _ = made.of_entry  # is to be readable too
    return made


def stamp(time_s: float) -> str:
    """A time since 1970 as ISO 8601 in UTC, to the second."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _claim(spread: dict[str, Any], where: str) -> Interval:
    value = spread[f"{where}_mv"]
    claim = next((c for c in spread["claims"] if c["where"] == where), None)
    return (value, None, None) if claim is None else (value, claim["low_mv"], claim["high_mv"])


def _meter(known: dict[str, Any]) -> dict[str, Any]:
    meter, corrections = known["meter"], known["corrections"]
    last = corrections[-1] if corrections else {"source": "not stated", "found": None}
    scaled = {"noise_mv": ("noise_v", 1e3), "channel_u_mv": ("channel_u_v", 1e3), "gain_u_percent": ("gain_u", 1e2)}
    return {
        **{key: known[key] for key in ("board_id", "front_end", "firmware")},
        **{key: None if meter[of] is None else round(meter[of] * by, 6) for key, (of, by) in scaled.items()},
        "calibration": last["source"],
        "calibration_found": None if last["found"] is None else last["found"][:10],
    }
