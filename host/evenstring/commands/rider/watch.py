"""evenstring watch: the string as it is now, or a recording played back."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from evenstring.commands.board.record import recordings_named
from evenstring.errors import DeviceError, InputError, UsageError
from evenstring.io.load import load_session, profile_of
from evenstring.live.app import WatchApp
from evenstring.live.source import PortSource, ReplaySource
from evenstring.live.state import LiveState
from evenstring.profile import PackProfile, load_profile

__all__ = ["command"]


@click.command("watch", epilog="Example: evenstring watch /dev/ttyACM0 -o charge.frames")
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Record what comes in, into this file (several: a folder)."
)
@click.option("--pack", type=click.Path(path_type=Path), help="Pack profile: name and limits.")
@click.option("--speed", default=1.0, type=click.FloatRange(0.1, 3600), help="Speed of a replay.")
@click.option("--at", "at_s", default=0.0, type=click.FloatRange(min=0), help="Start a replay at this second.")
def command(sources: tuple[str, ...], output: Path | None, pack: Path | None, speed: float, at_s: float) -> None:
    """Watch SOURCE: a port with a monitor on it, or a recording to play back. Several ports: one board a string.

    The number that matters now stands large on top: the alarm, the highest group while charging, the lowest on a
    ride, the time to balanced, or the spread. Keys are shown at the foot. NO_COLOR is honoured.
    """
    profile = load_profile(pack) if pack else None
    if len(sources) > 1:
        return _watch_strings(sources, output, profile)
    source, path = sources[0], Path(sources[0])
    shown: PortSource | ReplaySource
    if path.is_file():
        if output:
            raise UsageError("-o records a port; a recording that is played back is there already")
        session = load_session([path])
        state = LiveState(profile_of(session, profile), clock_s=time.monotonic)
        shown = ReplaySource(session, path.name, speed)
        shown.seek(at_s, state)
    else:
        _refuse_no_port(source, path)
        state = LiveState(profile, clock_s=time.monotonic)
        shown = PortSource(source, output, profile)
    return _run(WatchApp(state, shown))


def _watch_strings(ports: tuple[str, ...], output: Path | None, profile: PackProfile | None) -> None:
    for port in ports:
        if Path(port).is_file():
            raise UsageError(f"{port}: is a recording; one is played back at a time, and several ports are watched")
        _refuse_no_port(port, Path(port))
    paths = recordings_named(ports, output) if output else [None] * len(ports)
    strings = [
        (LiveState(profile, clock_s=time.monotonic), PortSource(port, path, profile))
        for port, path in zip(ports, paths, strict=True)
    ]
    _run(WatchApp(*strings[0], strings[1:]))


def _run(app: WatchApp) -> None:
    app.run()
    if app.failure:
        raise app.failure


def _refuse_no_port(source: str, path: Path) -> None:
    """Say before the screen is taken what cannot be watched; only where ports are files can that be seen."""
    if path.is_dir():
        raise InputError(f"{source}: is a folder; give a port or a recording")
    if os.name == "posix" and "://" not in source and not path.exists():
        raise DeviceError(f"{source}: no such port or recording; check the cable and the name")
