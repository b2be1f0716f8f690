"""evenstring calibrate: offset and gain of each channel, from a recording and a reference meter."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from evenstring.board.correct import (
    NewCorrection,
    in_force,
    read_correction,
    restore_correction,
    write_correction,
)
from evenstring.board.talk import Talk
from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel, calibrate, joined, parse_reference
from evenstring.hardware.cautions import CALIBRATE
from evenstring.io.files import refuse_existing, write_new
from evenstring.io.load import load_session
from evenstring.io.port import open_port
from evenstring.session import Correction, Session

__all__ = ["command"]


@click.command("calibrate", epilog="Example: evenstring calibrate rest.frames meter.csv /dev/ttyACM0")
@click.argument("what", nargs=-1, metavar="[RECORDING REFERENCE] [PORT]")
@click.option("--yes", is_flag=True, help="Write without being asked.")
@click.option("--show", is_flag=True, help="Only show what is in force on the board at PORT.")
@click.option("--restore", is_flag=True, help="Take the latest write back on the board at PORT.")
@click.option("--board", type=click.Path(path_type=Path), help="Board description in force while recording.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="New board description; needs --board.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def command(  # one argument an option, all named by click
    what: tuple[str, ...],
    yes: bool,
    show: bool,
    restore: bool,
    board: Path | None,
    output: Path | None,
    force: bool,
) -> None:
    """Compare RECORDING with the reference meter's readings in REFERENCE (CSV) and give each channel's correction.

    REFERENCE has the columns group, start_s, end_s (seconds of the recording), volts and u_volts (the meter's standard
    uncertainty, taken as common to all groups). A gain is found only where a group was measured at two voltages at
    least 0.4 V apart. With PORT the board there corrects by it from the next scan on, and keeps the one before.
    """
    if show or restore:
        if len(what) != 1:
            raise click.UsageError("--show and --restore need PORT, and nothing else")
        _ask_board(what[0], restore)
        return
    if len(what) not in (2, 3):
        raise click.UsageError("give RECORDING and REFERENCE, and PORT to write it to a board; or --show PORT")
    recording, reference, port = Path(what[0]), Path(what[1]), what[2] if len(what) > 2 else None  # PORT
    if output and not board:
        raise click.UsageError("-o needs --board, the board description in force while recording")
    say(CALIBRATE + "\n")
    if output:
        refuse_existing(output, force)
    session = load_session([recording])
    channels = calibrate(session, parse_reference(_read(reference), str(reference)))
    say("group  offset uV  gain ppm  u mV (k=1)  points")
    for c in channels:
        u_mv = math.hypot(c.u_own_v, c.u_reference_v) * 1000
        say(f"{c.group:>5}  {c.offset_uv:>+9d}  {c.gain_ppm:>+8d}  {u_mv:>10.2f}  {c.points:>6}")
    if output and board:
        text = json.dumps(_with(_description(board), channels, str(board)), indent=2) + "\n"
        write_new(output, text.encode(), force)
        say(f"{output}: board description with this calibration; put it on the board with deploy")
    if port:
        _send(port, session, str(recording), channels, yes)


@contextmanager
def _talk(port: str) -> Iterator[Talk]:
    line = open_port(port)
    try:
        yield Talk(line, port)
    finally:
        line.close()


def _ask_board(port: str, restore: bool) -> None:
    with _talk(port) as talk:
        _print(restore_correction(talk) if restore else read_correction(talk))


def _print(held: Correction) -> None:
    words = {"none": "no correction", "description": "from the board description", "command": "written to the board"}
    when = "" if held.found is None else f", found {held.found:%Y-%m-%d %H:%M} UTC"
    say(f"in force: {words.get(held.source, held.source)}{when}")
    if held.second_copy:
        say("its main copy was lost; this is the second copy")
    if held.source != "none":
        say("group  offset uV  gain ppm")
        for group, (offset, gain) in enumerate(zip(held.offset_uv, held.gain_ppm, strict=True), start=1):
            say(f"{group:>5}  {offset:>+9d}  {gain:>+8d}")


def _send(port: str, session: Session, where: str, channels: Sequence[Channel], yes: bool) -> None:
    before = in_force(session, where)
    offsets, gains = joined(channels, before.offset_uv, before.gain_ppm, session.ident.front_end)
    channel_u_uv, gain_u_ppm = _left(channels)
    with _talk(port) as talk:
        who = talk.ask("IDENTIFY", "IDENT")
        if (who["board_id"], who["groups"]) != (session.ident.board_id, session.groups):
            raise InputError(f"{port}: is board {who['board_id']!r}, the recording is of {session.ident.board_id!r}")
        held = read_correction(talk)
        if (held.offset_uv, held.gain_ppm) != (before.offset_uv, before.gain_ppm):
            raise InputError(f"{port}: its calibration is no longer the one that {where} was made with; record anew")
        if not yes and not click.confirm(f"Write this to the board at {port}?"):
            raise InputError("nothing was written")
        _print(write_correction(talk, NewCorrection(offsets, gains, channel_u_uv, gain_u_ppm, int(time.time()))))
    say(f"{port}: written and read back; undo with: evenstring calibrate --restore {port}")


def _left(channels: Sequence[Channel]) -> tuple[int, int]:
    """What the correction leaves unknown: uV of one channel against another, ppm of all alike (k = 1)."""
    gain_u = max(c.u_reference_v / c.volts_v for c in channels)
    return math.ceil(max(c.u_own_v for c in channels) * 1e6), math.ceil(gain_u * 1e6)


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot read ({error}); give a text file") from error


def _description(board: Path) -> dict[str, Any]:
    try:
        data = json.loads(_read(board))
    except json.JSONDecodeError as error:
        raise InputError(f"{board}: not JSON ({error}); give the board's description") from error
    if not isinstance(data, dict):
        raise InputError(f"{board}: not a board description; its top must be an object")
    return data


def _with(data: dict[str, Any], channels: Sequence[Channel], where: str) -> dict[str, Any]:
    if data.get("groups") != len(channels):
        raise InputError(f"{where}: describes {data.get('groups')!r} groups, the recording has {len(channels)}")
    before = data.get("calibration") or {}
    old_offsets, old_gains = (before.get(k, [0] * len(channels)) for k in ("offset_uv", "gain_ppm"))
    if len(old_offsets) != len(channels) or len(old_gains) != len(channels):
        raise InputError(f"{where}: its calibration does not have one value a group")
    offsets, gains = joined(channels, old_offsets, old_gains, str(data.get("front_end")))
    channel_u_uv, gain_u_ppm = _left(channels)
    meter = dict(data.get("meter") or {}) | {"gain_u_ppm": gain_u_ppm, "channel_u_uv": channel_u_uv}
    return data | {"calibration": {"offset_uv": offsets, "gain_ppm": gains}, "meter": meter}
