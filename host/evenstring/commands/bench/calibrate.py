"""evenstring calibrate: offset and gain of each channel, from a recording and a reference meter."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from evenstring.board.correct import (
    NewCorrection,
    in_force,
    read_correction,
    restore_correction,
    write_correction,
)
from evenstring.board.talk import Talk
from evenstring.commands.bench.description import Description, description_options, left_unknown
from evenstring.commands.bench.kept import Keeping, Made, calibration_of, keep, keep_options, kept_beside, show_kept
from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel, calibrate, joined
from evenstring.hardware.calibrations import rms_mv
from evenstring.hardware.cautions import CALIBRATE
from evenstring.hardware.meter_spec import parse_uncertainty
from evenstring.io.load import load_session
from evenstring.io.port import open_port
from evenstring.io.table.hand_table import read_hand_table
from evenstring.io.table.reference import REFERENCE_NEEDS, reference_points
from evenstring.session import Correction, Session
from evenstring.workshop.job import Job, job_of

__all__ = ["command"]


@click.command("calibrate", epilog="Example: evenstring calibrate rest.frames meter.csv /dev/ttyACM0")
@click.argument("what", nargs=-1, metavar="[RECORDING REFERENCE] [PORT]")
@click.option("--yes", is_flag=True, help="Write without being asked.")
@click.option("--show", is_flag=True, help="Only show what is in force on the board at PORT, or kept in a folder.")
@click.option("--restore", is_flag=True, help="Take the latest write back on the board at PORT.")
@description_options
@keep_options
def command(
    what: tuple[str, ...],
    yes: bool,
    show: bool,
    restore: bool,
    description: Description,
    keeping: Keeping,
) -> None:
    """Compare RECORDING with the reference meter's readings in REFERENCE and give each channel's correction.

    REFERENCE is a table with one reading a line: group and volts, or tap and volts (against tap 0, pack negative);
    start_s and end_s, or at_s (seconds of the recording; without them all of it); u_volts, the meter's standard
    uncertainty, where the job does not say it. Semicolons, decimal commas and mV are taken. A gain is found only where
    a group was measured at two voltages at least 0.4 V apart. With PORT the board there corrects by it from the next
    scan on, and keeps the one before. --show also takes a folder of kept calibrations.
    """
    if show or restore:
        if len(what) != 1:
            raise click.UsageError("--show and --restore need PORT (--show also takes a folder), and nothing else")
        if show and Path(what[0]).is_dir():
            show_kept(Path(what[0]))
        else:
            _ask_board(what[0], restore)
        return
    if len(what) not in (2, 3):
        raise click.UsageError("give RECORDING and REFERENCE, and PORT to write it to a board; or --show PORT")
    say(CALIBRATE + "\n")
    description.refuse_early()
    session = load_session([Path(what[0])])
    job = job_of(session.job_toml, keeping.job)
    channels = _channels(session, Path(what[1]), job)
    _say_channels(channels)
    whole = joined(channels, *_before(session, what[0], description), session.ident.front_end)
    made = Made(calibration_of(session, channels, whole, job, keeping.months), channels, session)
    if keeping.folder:
        kept_beside(keeping.folder, made.calibration)  # a wrong folder is told before anything is written
    description.write(channels)
    if len(what) > 2:
        _send(what[2], made, what[0], yes)
    if keeping.folder:
        keep(keeping.folder, made)


def _channels(session: Session, reference: Path, job: Job) -> tuple[Channel, ...]:
    meter = parse_uncertainty(job.meter_uncertainty, "job") if job.meter_uncertainty else None
    table = read_hand_table(reference, REFERENCE_NEEDS)
    if table.unused:
        say(f"{reference}: columns not used: {', '.join(table.unused)}")
    return calibrate(session, reference_points(table, meter))


def _before(session: Session, where: str, description: Description) -> tuple[Sequence[int], Sequence[int]]:
    """Offsets (uV) and gains (ppm) that the recording was made with: as told, as it says itself, or none."""
    if (told := description.in_force(session.groups)) is not None:
        return told
    if session.corrections:
        held = in_force(session, where)
        return held.offset_uv, held.gain_ppm
    return [0] * session.groups, [0] * session.groups


def _say_channels(channels: Sequence[Channel]) -> None:
    say("group  offset uV  gain ppm  found mV  left mV  u mV (k=1)  points")
    for c in channels:
        u_mv = math.hypot(c.u_own_v, c.u_reference_v) * 1000
        found, left = (max((getattr(f, name) for f in c.fits), key=abs) * 1000 for name in ("found_v", "left_v"))
        say(
            f"{c.group:>5}  {c.offset_uv:>+9d}  {c.gain_ppm:>+8d}  {found:>+8.2f}  {left:>+7.2f}  {u_mv:>10.2f}"
            f"  {len(c.fits):>6}"
        )
    found_mv, left_mv = (rms_mv([getattr(f, n) for c in channels for f in c.fits]) for n in ("found_v", "left_v"))
    spare = "" if any(c.spare for c in channels) else " (the correction passes through all: measure again to see)"
    say(f"reading less reference, root mean square: {found_mv:.2f} mV as found, {left_mv:.2f} mV as left{spare}")


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


def _send(port: str, made: Made, where: str, yes: bool) -> None:
    session, channels = made.session, made.channels
    before = in_force(session, where)
    offsets, gains = joined(channels, before.offset_uv, before.gain_ppm, session.ident.front_end)
    channel_u_uv, gain_u_ppm = left_unknown(channels)
    with _talk(port) as talk:
        who = talk.ask("IDENTIFY", "IDENT")
        if (who["board_id"], who["groups"]) != (session.ident.board_id, session.groups):
            raise InputError(f"{port}: is board {who['board_id']!r}, the recording is of {session.ident.board_id!r}")
        held = read_correction(talk)
        if (held.offset_uv, held.gain_ppm) != (before.offset_uv, before.gain_ppm):
            raise InputError(f"{port}: its calibration is no longer the one that {where} was made with; record anew")
        if not yes and not click.confirm(f"Write this to the board at {port}?"):
            raise InputError("nothing was written")
        _print(
            write_correction(
                talk, NewCorrection(offsets, gains, channel_u_uv, gain_u_ppm, int(made.calibration.found.timestamp()))
            )
        )
    say(f"{port}: written and read back; undo with: evenstring calibrate --restore {port}")
