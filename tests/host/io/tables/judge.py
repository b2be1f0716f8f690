"""What came of a table against the numbers that were written into it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from evenstring.io.load import load_session
from evenstring.io.table import Imported, Plan, Wishes, import_table
from evenstring.profile import parse_profile
from evenstring.session import Session

from tests.host.io.tables.shapes import Shape, write_table
from tests.host.io.tables.world import START, World

__all__ = ["differences", "read_back"]

_TIME_S = {"min": 0.05, "h": 0.05}  # the digits that such a table carries
_START_S = {"d/m/Y H:M": 60.0}


def read_back(path: Path, groups: int, wishes: Wishes | None = None) -> tuple[Session, Plan, Imported]:
    """Import a table into a recording and read that."""
    out = path.with_suffix(".frames")
    with out.open("wb") as file:
        plan, made = import_table(path, parse_profile(f"[pack]\ngroups = {groups}\n"), file, wishes)
    return load_session([out]), plan, made


def differences(shape: Shape, folder: Path, seed: int) -> list[str]:
    """Write a table of this shape, read it with no option, and name what is not as written."""
    path = folder / ("table.xlsx" if shape.writer == "xlsx" else "table.csv")
    world = write_table(shape, path, seed)
    session, _, _ = read_back(path, shape.groups)
    if session.scans != len(world.time_s):
        return [f"{session.scans} scans of {len(world.time_s)}"]
    return [*_times(shape, world, session), *_readings(shape, world, session), *_others(shape, world, session)]


def _times(shape: Shape, world: World, session: Session) -> list[str]:
    wrong = []
    if not np.allclose(session.time_s, world.time_s, atol=_TIME_S.get(shape.time, 0.0011)):
        wrong.append(f"times {session.time_s[:3]} ... {session.time_s[-1]}")
    if shape.starts != (session.start is not None) or (
        session.start is not None and abs((session.start - START).total_seconds()) > _START_S.get(shape.time, 0.002)
    ):
        wrong.append(f"start {session.start}")
    return wrong


def _readings(shape: Shape, world: World, session: Session) -> list[str]:
    if not (np.isnan(world.volts_v) == np.isnan(session.volts_v)).all():
        return [f"{np.isnan(session.volts_v).sum()} readings not taken, {np.isnan(world.volts_v).sum()} in truth"]
    most = float(np.nanmax(np.abs(world.volts_v - session.volts_v)))
    return [f"volts off by {most}"] if most > 2e-4 + 0.6 * 10.0**-shape.decimals else []


def _others(shape: Shape, world: World, session: Session) -> list[str]:
    wrong = []
    if shape.current and (session.current_a is None or not np.allclose(session.current_a, world.current_a, atol=0.011)):
        wrong.append("current")
    if not shape.current and session.current_a is not None:
        wrong.append("a current that is none")
    count = len(shape.temps)
    if count and (session.temps_c is None or not np.allclose(session.temps_c, world.temps_c[:, :count], atol=0.06)):
        wrong.append("temperatures")
    if shape.pack and (session.pack_v is None or not np.allclose(session.pack_v[:, 0], world.pack_v, atol=0.02)):
        wrong.append("pack voltage")
    return wrong
