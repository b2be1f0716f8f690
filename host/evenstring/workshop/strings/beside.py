"""Strings of one vehicle told apart by the names that their boards have, and compared at rest."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np

from evenstring.analysis.results import Phase, Unknown
from evenstring.analysis.riding.like_load import LikeLoad, Ridden, find_like_load
from evenstring.analysis.riding.side_by_side import Joined, StringAtRest, joined
from evenstring.errors import InputError
from evenstring.io.load import string_named
from evenstring.report.material import Material
from evenstring.session import Session

__all__ = ["AtRest", "Beside", "OneString", "StringFiles", "beside", "refuse_two_at_once", "told_apart"]

_MEAN_S = 60.0  # the end of a rest that is averaged: our choice


@dataclass(frozen=True, slots=True)
class StringFiles:
    """The recordings of one string; `places`: which of those given. `folder`: where its report goes."""

    name: str
    places: tuple[int, ...]
    folder: str


@dataclass(frozen=True, slots=True, eq=False)
class OneString:
    """A string with its findings."""

    files: StringFiles
    material: Material


@dataclass(frozen=True, slots=True)
class AtRest:
    """A string at the end of a rest."""

    time_s: float  # since its recording began
    volts_v: float  # of the string
    mean_v: float  # of a group
    lowest: int  # group, from 1
    lowest_v: float


@dataclass(frozen=True, slots=True)
class Beside:
    """Each string at rest (None: it never is), whether that was at one time, what joining them would do, who sags."""

    at_rest: tuple[AtRest | None, ...]
    at_one_time: bool
    joined: Joined | None
    uneven_count: bool  # strings of different numbers of groups
    like_load: LikeLoad | Unknown

    @property
    def is_dangerous(self) -> bool:
        """Whether they must not be joined as they are."""
        return self.uneven_count or (self.joined is not None and self.joined.dangerous)


def told_apart(recordings: Sequence[Path]) -> tuple[StringFiles, ...]:
    """The strings in recordings, in the order in which they come; one where not every board names its own.

    Raises:
        InputError: a file cannot be read.
    """
    if len(recordings) < 2:  # two strings
        return ()
    names = [string_named(path) for path in recordings]
    if not all(names) or len(set(names)) < 2:
        return ()
    places = {name: tuple(k for k, other in enumerate(names) if other == name) for name in names}
    folders = [re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-") or "string" for name in places]
    twice = [f if folders.count(f) == 1 else f"{f}-{k}" for k, f in enumerate(folders, start=1)]
    return tuple(StringFiles(name, at, folder) for (name, at), folder in zip(places.items(), twice, strict=True))


def refuse_two_at_once(parts: Sequence[Session]) -> None:
    """Recordings that two boards made at one time are no recordings of one string, whatever the boards are called.

    Raises:
        InputError: there are such.
    """
    spans = [
        (s.start, s.start + timedelta(seconds=s.duration_s), s.ident.board_id)
        for s in parts
        if s.start is not None and s.ident.board_id
    ]
    for k, (start, end, board) in enumerate(spans):
        if any(other != board and start < end_2 and start_2 < end for start_2, end_2, other in spans[:k]):
            raise InputError(
                "two boards recorded these at one time: they are of two strings; give each board a string_name of its"
                " own (board.json), or report on the recordings one by one"
            )


def beside(strings: Sequence[Material]) -> Beside:
    """Compared at the latest instant at which all rest, where their clocks tell one; else each at its own last rest."""
    common = _common_rest(strings)
    at_rest = [
        _at_rest(m, at) if at is not None else None
        for m, at in zip(strings, common or map(_last, strings), strict=True)
    ]
    known = [
        StringAtRest(a.volts_v, m.session.groups, m.profile.capacity_ah) if a else None
        for a, m in zip(at_rest, strings, strict=True)
    ]
    uneven = len({m.session.groups for m in strings}) > 1
    like = find_like_load([Ridden(m.session, m.found.phases) for m in strings])
    return Beside(tuple(at_rest), common is not None, joined(known), uneven, like)


def _rests(material: Material) -> list[Phase]:
    return [p for p in material.found.phases if p.kind == "rest" and p.end_s - p.start_s >= _MEAN_S]


def _last(material: Material) -> float | None:
    return max((p.end_s for p in _rests(material)), default=None)


def _common_rest(strings: Sequence[Material]) -> list[float] | None:
    """The latest instant at which all have rested for a minute, in the time of each; None where there is none."""
    starts = [m.session.start for m in strings]
    known = [s for s in starts if s is not None]
    if len(known) < len(starts):
        return None
    shift = [(s - known[0]) / timedelta(seconds=1) for s in known]
    spans = [[(p.start_s + d, p.end_s + d) for p in _rests(m)] for m, d in zip(strings, shift, strict=True)]
    ends = sorted((end for some in spans for _, end in some), reverse=True)
    for end in ends:
        if all(any(a + _MEAN_S <= end <= b for a, b in some) for some in spans):
            return [end - d for d in shift]
    return None


def _at_rest(material: Material, at_s: float) -> AtRest | None:
    """Means of the minute before `at_s`; None where a group was not read in it."""
    time_s, volts_v = material.session.time_s, material.session.volts_v
    rows = volts_v[(time_s >= at_s - _MEAN_S) & (time_s <= at_s)]
    read = np.isfinite(rows)
    if not len(rows) or not read.any(axis=0).all():
        return None
    means = np.where(read, rows, 0.0).sum(axis=0, dtype=float) / read.sum(axis=0)
    low = int(means.argmin())
    return AtRest(at_s, float(means.sum()), float(means.mean()), low + 1, float(means[low]))
