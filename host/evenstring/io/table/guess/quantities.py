"""Which of the other columns are current, temperatures and pack voltage, and why the rest is not used. Pure."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from evenstring.io.table.guess.plan import Column, Wishes
from evenstring.io.table.guess.sample import Sample

__all__ = ["current_column", "ignored_columns", "pack_column", "temperature_columns"]

_MAX_A = 327.0  # of the recording's format
_TEMPERATURES = {"C": (1.0, 0.0), "F": (5 / 9, -160 / 9), "K": (1.0, -273.15), None: (1.0, 0.0)}


_REASONS = {
    "index": "counts rows",
    "other": "nothing that a recording holds",
    "time": "another time",
    "current": "another current",
    "pack": "not near the groups' sum",
    "temp": "another temperature",
}


def current_scale(sample: Sample, k: int, unit: str | None) -> tuple[float, str]:
    """What the numbers of a current are multiplied with to be amperes, and a note (empty: none)."""
    name = sample.names[k]
    unit = unit or name.unit
    if unit in ("A", "mA"):
        return (1.0, "") if unit == "A" else (1e-3, "")
    largest = float(np.abs(sample.finite(k)).max(initial=0.0))
    if largest > _MAX_A:
        said = f"values up to {largest:g} taken as mA; overrule with --unit current=A"
        return 1e-3, f"column {sample.shown[k]} names no unit: {said}"
    return 1.0, f"column {sample.shown[k]} names no unit: taken as A; overrule with --unit current=mA"


def current_column(sample: Sample, free: Iterable[int], wishes: Wishes) -> tuple[Column | None, str]:
    """The column of the pack's current, if any, and a note."""
    like = []
    for k in free:
        name = sample.names[k]
        if not sample.is_numeric(k) or name.says("other") or name.says("temp") or name.unit not in (None, "A", "mA"):
            continue
        if name.says("current") or name.unit in ("A", "mA"):
            like.append((name.number is not None, -name.says("pack"), len(name.roles), k))
    if not like:
        return None, ""
    k = min(like)[3]
    scale, note = current_scale(sample, k, wishes.units.get("current"))
    return Column(k, sample.shown[k], "current", 0, scale), note


def temperature_columns(sample: Sample, free: Iterable[int], wishes: Wishes) -> list[Column]:
    """Columns of temperatures, by the numbers in their names, then in order."""
    found = []
    for k in free:
        name = sample.names[k]
        unit = wishes.units.get("temp", name.unit)
        named = name.says("temp") or name.unit in ("C", "F")
        if sample.is_numeric(k) and named and not name.says("other") and unit in _TEMPERATURES:
            found.append((name.number if name.number is not None else 99, k, *_TEMPERATURES[unit]))
    return [
        Column(k, sample.shown[k], "temp", place, scale, offset)
        for place, (_, k, scale, offset) in enumerate(sorted(found), start=1)
    ][:8]


def pack_column(sample: Sample, free: Iterable[int], sum_v: float, wishes: Wishes) -> Column | None:
    """The column of the pack's voltage: named so, or in volts, and of the size of the groups' sum."""
    for need in (1, 0):
        for k in free:
            name = sample.names[k]
            named = name.says("pack") or (name.unit in ("V", "mV") and name.number is None)
            if not sample.is_numeric(k) or name.says("other") or name.says("current") or name.says("temp"):
                continue
            if (not named and need) or not (named or name.says("group")) or name.unit not in (None, "V", "mV"):
                continue
            level = sample.level(k)
            for scale in {"V": (1.0,), "mV": (1e-3,)}.get(wishes.units.get("pack", ""), (1.0, 1e-3, 1e-2)):
                if 0.7 * sum_v < level * scale < 1.4 * sum_v:
                    return Column(k, sample.shown[k], "pack", 1, scale)
    return None


def ignored_columns(sample: Sample, free: Iterable[int]) -> list[Column]:
    """Every column left over, with the reason."""
    return [Column(k, sample.shown[k], "ignored", why=_why(sample, k)) for k in free]


def _why(sample: Sample, k: int) -> str:
    name = sample.names[k]
    if not sample.filled(k):
        return "empty"
    if not sample.is_numeric(k):
        return "text, not numbers"
    for role, words in _REASONS.items():
        if name.says(role):
            return words
    if not name.text:
        return "has no name"
    return "not known; give it a role with --map" if name.number is None else "not a group of this pack"
