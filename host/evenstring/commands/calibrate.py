"""evenstring calibrate: offset and gain of each channel, from a recording and a reference meter."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel, calibrate, compose, parse_reference
from evenstring.hardware.cautions import CALIBRATE
from evenstring.io.files import refuse_existing, write_new
from evenstring.io.load import load_session

__all__ = ["command"]


@click.command("calibrate", epilog="Example: evenstring calibrate rest.frames meter.csv --board board.json -o new.json")
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("reference", type=click.Path(path_type=Path))
@click.option("--board", type=click.Path(path_type=Path), help="Board description in force while recording.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="New board description; needs --board.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def command(recording: Path, reference: Path, board: Path | None, output: Path | None, force: bool) -> None:
    """Compare RECORDING with the reference meter's readings in REFERENCE (CSV) and give each channel's correction.

    REFERENCE has the columns group, start_s, end_s (seconds of the recording), volts and u_volts (the meter's standard
    uncertainty, taken as common to all groups). A gain is found only where a group was measured at two voltages at
    least 0.4 V apart.
    """
    if output and not board:
        raise click.UsageError("-o needs --board, the board description in force while recording")
    click.echo(CALIBRATE + "\n")
    if output:
        refuse_existing(output, force)
    channels = calibrate(load_session([recording]), parse_reference(_read(reference), str(reference)))
    click.echo("group  offset uV  gain ppm  u mV (k=1)  points")
    for c in channels:
        u_mv = math.hypot(c.u_own_v, c.u_reference_v) * 1000
        click.echo(f"{c.group:>5}  {c.offset_uv:>+9d}  {c.gain_ppm:>+8d}  {u_mv:>10.2f}  {c.points:>6}")
    if output and board:
        text = json.dumps(_with(_description(board), channels, str(board)), indent=2) + "\n"
        write_new(output, text.encode(), force)
        click.echo(f"{output}: board description with this calibration; put it on the board with deploy")


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
    offsets, gains = before.get("offset_uv", [0] * len(channels)), before.get("gain_ppm", [0] * len(channels))
    if len(offsets) != len(channels) or len(gains) != len(channels):
        raise InputError(f"{where}: its calibration does not have one value a group")
    both = [compose((o, g), (c.offset_uv, c.gain_ppm)) for o, g, c in zip(offsets, gains, channels, strict=True)]
    meter = dict(data.get("meter") or {})
    meter |= {
        "gain_u_ppm": math.ceil(max(c.u_reference_v / c.volts_v for c in channels) * 1e6),
        "channel_u_uv": math.ceil(max(c.u_own_v for c in channels) * 1e6),
    }
    calibration = {"offset_uv": [o for o, _ in both], "gain_ppm": [g for _, g in both]}
    return data | {"calibration": calibration, "meter": meter}
