"""Calibrations kept in a folder: history.toml, and the page of the latest."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import Any

import click
import numpy as np

from evenstring.checked_toml import toml_text
from evenstring.commands.job_options import job_option
from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel
from evenstring.hardware.calibrations import (
    INTERVAL_MONTHS,
    Calibration,
    calibrations_toml,
    drift,
    of_channels,
    parse_calibrations,
)
from evenstring.io.files import make_folder, write_new
from evenstring.session import Session
from evenstring.workshop.calibration_page import calibration_page, drift_words, part_limits
from evenstring.workshop.job import Job

__all__ = ["Keeping", "Made", "calibration_of", "keep", "keep_options", "kept_beside", "read_kept", "show_kept"]

_HISTORY, _PAGE = "history.toml", "calibration.html"


@dataclass(frozen=True, slots=True)
class Keeping:
    """What the command line says of the job, the folder and the time until the next calibration."""

    job: Job
    folder: Path | None
    months: int


def keep_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --job, --keep and --interval; it takes them as one argument `keeping`."""

    @job_option
    @click.option(
        "--keep",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        help="Folder of this board's calibrations: adds this one to history.toml and writes calibration.html.",
    )
    @click.option(
        "--interval",
        "months",
        default=INTERVAL_MONTHS,
        show_default=True,
        type=click.IntRange(1, 120),
        metavar="MONTHS",
        help="Until the next calibration is due; kept with --keep.",
    )
    @wraps(command)
    def wrapped(*args: Any, job: Job | None, folder: Path | None, months: int, **rest: Any) -> Any:
        return command(*args, keeping=Keeping(job or Job(), folder, months), **rest)

    return wrapped


@dataclass(frozen=True, slots=True)
class Made:
    """A calibration, the channels that it was made of, and the session behind them."""

    calibration: Calibration
    channels: Sequence[Channel]
    session: Session


def calibration_of(
    session: Session, channels: Sequence[Channel], whole: tuple[Sequence[int], Sequence[int]], job: Job, months: int
) -> Calibration:
    """What is kept of a calibration.

    Args:
        session: with the scans of the reference readings.
        channels: of all groups.
        whole: offsets (uV) and gains (ppm) with what was in force before.
        job: with meter, operator and temperature.
        months: until the next is due.
    """
    return Calibration(
        found=session.start or datetime.now(UTC),
        board=session.ident.board_id,
        interval_months=months,
        offset_uv=tuple(whole[0]),
        gain_ppm=tuple(whole[1]),
        meter=job.meter,
        meter_calibrated=job.meter_calibrated,
        meter_certificate=job.meter_certificate,
        meter_uncertainty=job.meter_uncertainty,
        operator=job.operator,
        temperature_c=job.temperature_c if job.temperature_c is not None else _measured_c(session),
        **of_channels(channels),
    )


def read_kept(folder: Path) -> tuple[Calibration, ...]:
    """The calibrations of a folder, oldest first; none where there is no file yet.

    Raises:
        InputError: it cannot be read.
    """
    file = folder / _HISTORY
    if not file.exists():
        return ()
    try:
        return parse_calibrations(toml_text(file.read_bytes()), str(file))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot read it ({error}); choose another folder with --keep") from error


def kept_beside(folder: Path, new: Calibration) -> list[Calibration]:
    """The calibrations of a folder that a new one will stand beside; itself, kept already, is none of them.

    Raises:
        InputError: they are of another board.
    """
    before = [one for one in read_kept(folder) if not _same(one, new)]
    other = next((one for one in before if (one.board, len(one.offset_uv)) != (new.board, len(new.offset_uv))), None)
    if other:
        raise InputError(
            f"{folder}: holds calibrations of board {other.board or 'without a name'!r}, {len(other.offset_uv)} groups,"
            f" not of {new.board or 'one without a name'!r}; give each board a folder of its own with --keep"
        )
    return before


def keep(folder: Path, made: Made) -> None:
    """Add a calibration to a folder and write its page; the same one again replaces itself.

    Raises:
        InputError: the folder is of another board, or cannot be written.
    """
    new = made.calibration
    kept = sorted([*kept_beside(folder, new), new], key=lambda one: one.found)
    make_folder(folder)
    write_new(folder / _HISTORY, calibrations_toml(kept).encode(), force=True)
    if kept[-1] is new:
        limits = part_limits(made.session.ident.front_end, made.session.groups)
        page = calibration_page(made.channels, kept, limits, made.session.ident.string_name)
        write_new(folder / _PAGE, page.encode(), force=True)
    say(f"kept in {folder / _HISTORY}; the errors pictured: {folder / _PAGE}")
    _say_drift(kept)


def show_kept(folder: Path) -> None:
    """Say what is kept in a folder, what moved, and when the next is due.

    Raises:
        InputError: nothing is.
    """
    kept = read_kept(folder)
    if not kept:
        raise InputError(f"{folder}: holds no {_HISTORY}; calibrate with --keep {folder}")
    say(f"{kept[-1].board or 'board without a name'}, {len(kept[-1].offset_uv)} groups")
    say("calibrated  as found mV  as left mV  u mV (k=1)  due         meter")
    for one in kept:
        say(
            f"{one.found:%Y-%m-%d}  {one.rms_found_mv:>11.2f}  {one.rms_left_mv:>10.2f}  {one.u_own_mv:>10.2f}"
            f"  {one.due}  {one.meter or 'not said'}"
        )
    _say_drift(kept)
    today, due = datetime.now(UTC).date(), kept[-1].due
    say(f"calibration due since {due}" if today >= due else f"next calibration due on {due}")


def _same(one: Calibration, new: Calibration) -> bool:
    """Whether both are of the same readings; a recording without a date is given that of the day it is looked at."""
    alike = (one.offset_uv, one.gain_ppm, one.points) == (new.offset_uv, new.gain_ppm, new.points)
    return one.found == new.found or (alike and math.isclose(one.rms_found_mv, new.rms_found_mv, abs_tol=1e-3))


def _say_drift(kept: Sequence[Calibration]) -> None:
    if len(kept) > 1:
        for line in drift_words(drift(kept[-2], kept[-1])):
            say(line)


def _measured_c(session: Session) -> float | None:
    """Mean of the board's own sensors, where it has any."""
    if session.temps_c is None or not np.isfinite(session.temps_c).any():
        return None
    return round(float(np.nanmean(session.temps_c)), 1)
