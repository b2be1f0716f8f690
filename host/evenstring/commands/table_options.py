"""Options of the commands that read tables, and what they come to."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from functools import wraps
from typing import Any

import click

from evenstring.commands.say import say
from evenstring.errors import UsageError
from evenstring.io.table import Imported, Plan, Wishes
from evenstring.io.table.timeline import zone_of
from evenstring.text import plain

__all__ = ["show_notes", "show_plan", "table_options", "wishes_of"]

_UNITS = {
    "t": ("s", "ms", "us", "ns", "min", "h", "d", "h:m", "m:s"),
    "g": ("V", "mV"),
    "current": ("A", "mA"),
    "temp": ("C", "F", "K"),
    "pack": ("V", "mV"),
}


def table_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the options on tables; it takes them as one argument `wishes`."""

    @click.option(
        "--map",
        "roles",
        multiple=True,
        help='What columns of a table are: "Time=t,U1=g1,I=-current,Note=-"; "#3" is the third column. '
        "Roles: t, date, g1.., current (-current: discharge is positive), temp1.., pack, group, volts, - (left out).",
    )
    @click.option("--unit", "units", multiple=True, help="Units of a table: t=ms,g=mV,current=mA,temp=F.")
    @click.option("--start", help="Time of day of a table's first row: 2024-05-13T21:14.")
    @click.option("--zone", default="", help="Zone of times of day that name none: Europe/Vienna, or +02:00.")
    @click.option(
        "--dates",
        type=click.Choice(["day-first", "month-first"]),
        help="How a table's 03/04/2024 is meant, where nothing in it tells.",
    )
    @wraps(command)
    def wrapped(
        *args: Any,
        roles: tuple[str, ...],
        units: tuple[str, ...],
        start: str | None,
        zone: str,
        dates: str | None,
        **rest: Any,
    ) -> Any:
        return command(*args, wishes=wishes_of(roles, units, start, zone, dates), **rest)

    return wrapped


def show_plan(plan: Plan, *, err: bool = False) -> None:
    """Print what each column was taken for."""
    say(f"{plain(plan.where)}: taken as", err=err)
    for line in plan.lines():
        say(f"  {plain(line, 300)}", err=err)


def show_notes(made: Imported, *, err: bool = False) -> None:
    """Print what was found while the whole table was read."""
    for note in made.notes:
        say(f"  note: {plain(note, 300)}", err=err)


def wishes_of(
    roles: tuple[str, ...], units: tuple[str, ...], start: str | None, zone: str, dates: str | None
) -> Wishes:
    """What the user says of a table.

    Raises:
        UsageError: an option that makes no sense.
    """
    where = zone_of(zone)
    said = _pairs("--unit", units)
    for role, unit in said.items():
        if unit not in _UNITS.get(role, ()):
            known = ", ".join(f"{r}={'|'.join(u)}" for r, u in _UNITS.items())
            raise UsageError(f"--unit {role}={unit}: not known; say one of {known}")
    return Wishes(
        roles=_pairs("--map", roles),
        units=said,
        start=None if start is None else _moment(start, where),
        zone=zone,
        day_first=None if dates is None else dates == "day-first",
    )


def _pairs(option: str, texts: tuple[str, ...]) -> dict[str, str]:
    """NAME=ROLE pairs parted by commas; a name may hold commas itself, since a role holds none."""
    pairs: dict[str, str] = {}
    for text in texts:
        for part in re.findall(r"(.+?=[^=,]+)(?:,|$)", text) or [text]:
            name, equal, role = part.rpartition("=")
            if not equal or not name.strip() or not role.strip():
                raise UsageError(f'{option} {part!r}: say NAME=ROLE, several parted by commas, like "Time=t,U1=g1"')
            pairs[name.strip()] = role.strip()
    return pairs


def _moment(text: str, zone: tzinfo | str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"--start {text!r}: say it like 2024-05-13T21:14, with a zone like +02:00 if you like"
        ) from error
    if moment.tzinfo is not None:
        return moment
    if isinstance(zone, str):
        return datetime.fromisoformat(f"{moment.isoformat()}{zone.removeprefix('UTC') or '+00:00'}")
    return moment.replace(tzinfo=zone if zone is not None else UTC)
