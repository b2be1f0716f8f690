"""A board's calibration over an open port: read, write and verify, take back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenstring.board.talk import Talk
from evenstring.errors import DeviceError, InputError
from evenstring.io.assemble import correction_of
from evenstring.session import Correction, Session

__all__ = ["NewCorrection", "in_force", "read_correction", "restore_correction", "write_correction"]

_NOT_STATED = 65535


@dataclass(frozen=True, slots=True)
class NewCorrection:
    """A correction of every channel, in the order of the groups, and what it leaves unknown (k = 1)."""

    offset_uv: Sequence[int]
    gain_ppm: Sequence[int]
    channel_u_uv: int
    gain_u_ppm: int
    unix_s: int  # when it was found


def in_force(session: Session, where: str) -> Correction:
    """The one correction that a recording was made with.

    Raises:
        InputError: the recording does not say, or it changed on the way.
    """
    known = {(c.offset_uv, c.gain_ppm) for c in session.corrections}
    if not known:
        raise InputError(
            f"{where}: does not say which calibration was in force; record anew from the board, or give --board and -o"
        )
    if len(known) > 1:
        raise InputError(f"{where}: the calibration changed while it was recorded; record anew")
    return session.corrections[-1]


def read_correction(talk: Talk) -> Correction:
    """What is in force on the board.

    Raises:
        DeviceError: no answer.
    """
    return correction_of(talk.ask("READ_CALIBRATION", "CALIBRATION"))


def write_correction(talk: Talk, new: NewCorrection) -> Correction:
    """Write a correction, then read it back and compare; returns what is in force now.

    Raises:
        Refused: the board does not take it. DeviceError: no answer, or it holds something else afterwards.
    """
    talk.ask(
        "WRITE_CALIBRATION",
        "CALIBRATION",
        groups=len(new.offset_uv),
        channel_u_uv=min(new.channel_u_uv, _NOT_STATED),
        gain_u_ppm=min(new.gain_u_ppm, _NOT_STATED),
        unix_s=new.unix_s,
        offset_uv=list(new.offset_uv),
        gain_ppm=list(new.gain_ppm),
    )
    held = read_correction(talk)
    if (held.offset_uv, held.gain_ppm) != (tuple(new.offset_uv), tuple(new.gain_ppm)):
        raise DeviceError("the board holds another calibration than was written; read it with --show and write again")
    return held


def restore_correction(talk: Talk) -> Correction:
    """Put the correction back that was in force before the latest write; asking again changes nothing further.

    Raises:
        Refused: the board's flash takes nothing. DeviceError: no answer.
    """
    return correction_of(talk.ask("RESTORE_CALIBRATION", "CALIBRATION"))
