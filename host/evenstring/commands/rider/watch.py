"""evenstring watch: the string as it is now, or a recording played back."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from evenstring.errors import DeviceError, InputError, UsageError
from evenstring.io.load import load_session, profile_of
from evenstring.live.app import WatchApp
from evenstring.live.source import PortSource, ReplaySource
from evenstring.live.state import LiveState
from evenstring.profile import load_profile

__all__ = ["command"]


@click.command("watch", epilog="Example: evenstring watch /dev/ttyACM0 -o charge.frames")
@click.argument("source")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Record what comes in, into this file.")
@click.option("--pack", type=click.Path(path_type=Path), help="Pack profile: name and limits.")
@click.option("--speed", default=1.0, type=click.FloatRange(0.1, 3600), help="Speed of a replay.")
@click.option("--at", "at_s", default=0.0, type=click.FloatRange(min=0), help="Start a replay at this second.")
def command(source: str, output: Path | None, pack: Path | None, speed: float, at_s: float) -> None:
    """Watch SOURCE: a port with a monitor on it, or a recording to play back.

    The number that matters now stands large on top: the alarm, the highest group while charging, the lowest on a
    ride, the time to balanced, or the spread. Keys are shown at the foot. NO_COLOR is honoured.
    """
    profile = load_profile(pack) if pack else None
    path = Path(source)
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
    app = WatchApp(state, shown)
    app.run()
    if app.failure:
        raise app.failure


def _refuse_no_port(source: str, path: Path) -> None:
    """Say before the screen is taken what cannot be watched; only where ports are files can that be seen."""
    if path.is_dir():
        raise InputError(f"{source}: is a folder; give a port or a recording")
    if os.name == "posix" and "://" not in source and not path.exists():
        raise DeviceError(f"{source}: no such port or recording; check the cable and the name")
