"""What a pack's history does not tell, in sentences: first what is missing in these recordings, then what always is."""

from __future__ import annotations

from collections.abc import Sequence

from evenstring.logbook.evidence.facts import Facts
from evenstring.report.words import counted

__all__ = ["cannot_say"]

# Keys of report.json that a buyer or a repairer asks for, in words.
_ASKED_FOR = {
    "capacity": "the charge that the pack still holds",
    "usable": "how much of it a ride gets",
    "reserve": "how far down it can be ridden under full load",
    "weakness": "why a group lags, if one does",
    "spread.rest_mv": "the spread at rest",
}
_ALWAYS = (
    "What happened between the recordings was not seen, nor are recordings that were left out.",
    "Cells in parallel within a group hide each other: one of them may have failed without a trace here.",
    "Insulation, joints out of the measured path, the protection board, water and mechanical damage were not tested.",
    "Names, dates of clocks and reasons of cleared warnings are what people and devices said.",
    "A checksum shows that a file is the one that this rests on, not which pack was at the other end of the leads.",
    "Nothing here is a promise: it says what was measured, how surely, and what people commonly do next.",
)


def cannot_say(facts: Sequence[Facts]) -> list[str]:
    """The sentences.

    Args:
        facts: of all recordings.
    """
    return [*filter(None, (_undated(facts), _current(facts), _meter(facts), _open(facts), *_files(facts))), *_ALWAYS]


def _undated(facts: Sequence[Facts]) -> str:
    undated = sum(one.start is None for one in facts)
    counts = "in no trend, but visits below the discard voltage count all the same"
    return f"{counted(undated, 'recording')} without a date: {counts}." if undated else ""


def _current(facts: Sequence[Facts]) -> str:
    without = sum(not one.has_current for one in facts)
    if not without:
        return ""
    which = "No recording" if without == len(facts) else f"Not every recording ({without} of {len(facts)} lack it)"
    return f"{which} has a measured current: charge and resistance in amperes stay open there."


def _meter(facts: Sequence[Facts]) -> str:
    unstated = sum(one.meter["channel_u_mv"] is None for one in facts)
    undated = sum(one.meter["calibration_found"] is None for one in facts)
    said = []
    if unstated:
        said.append(f"the meter did not state its uncertainty in {unstated} of {len(facts)}")
    if undated:
        said.append(f"the date of its calibration is not told in {undated} of {len(facts)}")
    return f"How far absolute voltages are to be trusted: {' and '.join(said)}." if said else ""


def _open(facts: Sequence[Facts]) -> str:
    never = [words for key, words in _ASKED_FOR.items() if facts and all(key in one.not_known for one in facts)]
    return f"Known from none of the recordings: {'; '.join(never)}." if never else ""


def _files(facts: Sequence[Facts]) -> list[str]:
    lost = {kind: [one.number for one in facts if one.kept == kind] for kind in ("gone", "changed")}
    said = {"gone": "was not where the logbook has it", "changed": "was not the one that was added"}
    return [
        f"When this was written the file of recording {', '.join(map(str, numbers[:12]))}"
        f"{' and others' if len(numbers) > 12 else ''} {said[kind]}: what is said of it cannot be checked."
        for kind, numbers in lost.items()
        if numbers
    ]
