"""A board description with a new calibration: what `calibrate --board FILE -o NEW` reads and writes."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.hardware.calibrate import Channel, joined
from evenstring.io.files import refuse_existing, write_new

__all__ = ["Description", "description_options", "left_unknown"]


@dataclass(frozen=True, slots=True)
class Description:
    """The description in force while recording, and the new one to write; None: not given."""

    board: Path | None
    output: Path | None
    force: bool

    def refuse_early(self) -> None:
        """Say what is wrong with the new file before anything is worked out.

        Raises:
            InputError: it exists already.
        """
        if self.output:
            refuse_existing(self.output, self.force)

    def write(self, channels: Sequence[Channel]) -> None:
        """Write the new description, where one was asked for.

        Raises:
            InputError: the old one cannot be used, or the new one cannot be written.
        """
        if self.output and self.board:
            text = json.dumps(_with(_read(self.board), channels, str(self.board)), indent=2) + "\n"
            write_new(self.output, text.encode(), self.force)
            say(f"{self.output}: board description with this calibration; put it on the board with deploy")

    def in_force(self, groups: int) -> tuple[list[int], list[int]] | None:
        """Offsets (uV) and gains (ppm) of the description that was in force; None where none was given."""
        return None if self.board is None else _before(_read(self.board), groups, str(self.board))


def description_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --board, -o and --force; it takes them as one argument `description`."""

    @click.option("--board", type=click.Path(path_type=Path), help="Board description in force while recording.")
    @click.option("-o", "--output", type=click.Path(path_type=Path), help="New board description; needs --board.")
    @click.option("--force", is_flag=True, help="Replace the output if it exists.")
    @wraps(command)
    def wrapped(*args: Any, board: Path | None, output: Path | None, force: bool, **rest: Any) -> Any:
        if output and not board:
            raise click.UsageError("-o needs --board, the board description in force while recording")
        return command(*args, description=Description(board, output, force), **rest)

    return wrapped


def left_unknown(channels: Sequence[Channel]) -> tuple[int, int]:
    """What the correction leaves unknown: uV of one channel against another, ppm of all alike (k = 1)."""
    gain_u = max(c.u_reference_v / c.volts_v for c in channels)
    return math.ceil(max(c.u_own_v for c in channels) * 1e6), math.ceil(gain_u * 1e6)


def _read(board: Path) -> dict[str, Any]:
    try:
        data = json.loads(board.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{board}: cannot read ({error}); give a text file") from error
    except json.JSONDecodeError as error:
        raise InputError(f"{board}: not JSON ({error}); give the board's description") from error
    if not isinstance(data, dict):
        raise InputError(f"{board}: not a board description; its top must be an object")
    return data


def _before(data: dict[str, Any], groups: int, where: str) -> tuple[list[int], list[int]]:
    if data.get("groups") != groups:
        raise InputError(f"{where}: describes {data.get('groups')!r} groups, the recording has {groups}")
    before = data.get("calibration") or {}
    offsets, gains = (before.get(k, [0] * groups) for k in ("offset_uv", "gain_ppm"))
    if len(offsets) != groups or len(gains) != groups:
        raise InputError(f"{where}: its calibration does not have one value a group")
    return offsets, gains


def _with(data: dict[str, Any], channels: Sequence[Channel], where: str) -> dict[str, Any]:
    offsets, gains = joined(channels, *_before(data, len(channels), where), str(data.get("front_end")))
    channel_u_uv, gain_u_ppm = left_unknown(channels)
    meter = dict(data.get("meter") or {}) | {"gain_u_ppm": gain_u_ppm, "channel_u_uv": channel_u_uv}
    return data | {"calibration": {"offset_uv": offsets, "gain_ppm": gains}, "meter": meter}
