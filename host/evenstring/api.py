"""The few calls that a notebook needs; `import evenstring` gives them all. Documented with examples in host/API.md.

A *source* is a path (text or `Path`), several paths of recordings of one string, or a `Session` that is already loaded.
A *pack* is a path of a pack.toml or a `PackProfile`; without one, that of the recording counts, else defaults.
All errors are those of `evenstring.errors`, and say what to do.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from evenstring.analysis.results import Event, Findings
from evenstring.analysis.run import analyse as run_analysis
from evenstring.errors import EvenstringError, InputError, UsageError
from evenstring.io.files import make_folder, write_new
from evenstring.io.load import load_session, profile_of
from evenstring.plots import plot_groups, plot_levels, plot_spread
from evenstring.profile import PackProfile, load_profile
from evenstring.report.drawing.reduction import departures_mv as departures_of
from evenstring.report.drawing.reduction import spread_mv as spread_of
from evenstring.report.material import gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.session import Session
from evenstring.text import json_text
from evenstring.workshop.held import hold

__all__ = [
    "EvenstringError", "Findings", "PackProfile", "Session", "analyse", "departures_mv", "events_table", "group_table",
    "load", "plot_groups", "plot_levels", "plot_spread", "report", "spread_mv",
]  # fmt: skip

File = str | os.PathLike[str]
Source = Session | File | Iterable[File]
Pack = PackProfile | File | None
Column = NDArray[Any]


def load(*paths: File) -> Session:
    """Decode one recording, or several of one string put one after another in the order given.

    Raises:
        InputError: a file cannot be read, holds no frame at all, or the recordings are of different strings.
    """
    if not paths:
        raise UsageError("load: give the path of a recording")
    return load_session(_paths(paths), whole=True)


def analyse(source: Source, pack: Pack = None, *, load_a: float | None = None) -> Findings:
    """All findings of a recording, as dataclasses with units in their names.

    Args:
        source: path or paths, or a loaded session.
        pack: path of a pack.toml, or a profile.
        load_a: a discharge current, A, for which the reserve is asked besides the ride's own.
    """
    session, _ = _session(source)
    return run_analysis(session, _profile(session, pack, load_a))


def report(
    source: Source,
    pack: Pack = None,
    *,
    folder: File | None = None,
    load_a: float | None = None,
    limits: File | None = None,
) -> dict[str, Any]:
    """report.json as a mapping; with `folder` also written there, with report.html.

    `limits`: name of a ready file of acceptance limits, or a path: key `acceptance`. A job in the recording: key `job`.
    Several paths are also compared with one another: key `second_look`. An older report in `folder` is replaced.
    """
    session, files = _session(source)
    profile = _profile(session, pack, load_a)
    parts = tuple(load_session((f,)) for f in files) if len(files) > 1 else ()
    material = gather_material(session, profile, parts)
    additions = hold(material, limits=None if limits is None else os.fspath(limits)).additions
    made = report_json(material, additions)
    if folder is not None:
        page = render(material, ", ".join(f.name for f in files) or "a session", additions)
        _write(Path(folder), made, page)
    return made


def spread_mv(session: Session) -> Column:
    """(n,) highest minus lowest group of each scan, mV, as read; NaN where fewer than two groups were read."""
    return spread_of(session.volts_v)


def departures_mv(session: Session) -> Column:
    """(n, g) distance of each group from the median group of its scan, mV; NaN where it was not read."""
    return departures_of(session.volts_v)


def group_table(session: Session, group: int) -> dict[str, Column]:
    """Columns of one group (1 at pack negative), all (n,), as pandas and polars take them.

    `time_s`, `volts_v` (NaN where not read), `departure_mv` from the median group, `quality` (0: read), and `current_a`
    where there is a sensor (charging is positive).
    """
    if not 1 <= group <= session.groups:
        raise UsageError(f"group {group} is not in this session; it has groups 1 to {session.groups}")
    table: dict[str, Column] = {
        "time_s": session.time_s,
        "volts_v": session.volts_v[:, group - 1],
        "departure_mv": departures_mv(session)[:, group - 1],
        "quality": session.quality[:, group - 1],
    }
    return table if session.current_a is None else {**table, "current_a": session.current_a}


def events_table(findings: Findings) -> dict[str, list[Any]]:
    """Columns of the visits beyond a limit, one row each, in the order of time; names as in report.json."""
    names = ("kind", "group", "start_s", "duration_s", "extreme_v", "under_load")
    events: tuple[Event, ...] = tuple(sorted(findings.events, key=lambda e: e.start_s))
    return {name: [getattr(e, name) for e in events] for name in names}


def _paths(paths: Iterable[File]) -> tuple[Path, ...]:
    found = []
    for path in paths:
        if not isinstance(path, str | os.PathLike):
            raise UsageError(f"a path of a recording, or a loaded session, is wanted; this is a {type(path).__name__}")
        found.append(Path(path))
    return tuple(found)


def _session(source: Source) -> tuple[Session, tuple[Path, ...]]:
    """The session, and the files that it came from where that is known."""
    if isinstance(source, Session):
        return source, ()
    if not isinstance(source, str | os.PathLike | Iterable):
        raise UsageError(f"a path of a recording, or a loaded session, is wanted; this is a {type(source).__name__}")
    files = _paths((source,) if isinstance(source, str | os.PathLike) else source)
    return load(*files), files


def _profile(session: Session, pack: Pack, load_a: float | None) -> PackProfile:
    given = load_profile(Path(pack)) if isinstance(pack, str | os.PathLike) else pack
    profile = profile_of(session, given)
    if load_a is None:
        return profile
    if not load_a > 0:
        raise InputError(f"load_a: a discharge current in A, above zero, is wanted; this is {load_a}")
    return replace(profile, load_a=load_a, defaults=tuple(d for d in profile.defaults if d != "ride.load_a"))


def _write(folder: Path, made: dict[str, Any], page: str) -> None:
    make_folder(folder)
    numbers = json_text(made) + "\n"
    write_new(folder / "report.json", numbers.encode(), force=True)
    write_new(folder / "report.html", page.encode(), force=True)
