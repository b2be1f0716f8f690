"""Options of `plan`: what the rider does in a year, and the logbook that knows the pack."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from evenstring.plan.answer import Asked
from evenstring.plan.habits import HOLD_H

__all__ = ["InLogbook", "Page", "in_logbook_options", "page_options", "year_options"]

_LIMIT_MV = 30.0  # a spread up to which nothing is felt on a ride: common practice
_RIDE = 0.3  # of the pack a day: our choice


@dataclass(frozen=True, slots=True)
class Page:
    """Where a page goes; None: nowhere."""

    folder: Path | None
    force: bool


@dataclass(frozen=True, slots=True)
class InLogbook:
    """A pack of a logbook by its name; None: from files."""

    name: str | None
    folder: Path | None


def year_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --hold-h, --ride and --limit-mv; it takes them as one argument `asked`."""

    @click.option("--hold-h", type=click.FloatRange(0.0, 24.0), default=HOLD_H, help="Hours on the charger after full.")
    @click.option("--ride", "ride_share", type=click.FloatRange(0.01, 1.0), default=_RIDE, help="Share ridden a day.")
    @click.option("--limit-mv", type=click.FloatRange(1.0, 500.0), default=_LIMIT_MV, help="Spread that is too much.")
    @wraps(command)
    def wrapped(*args: Any, hold_h: float, ride_share: float, limit_mv: float, **rest: Any) -> Any:
        return command(*args, asked=Asked(hold_h, ride_share, limit_mv), **rest)

    return wrapped


def page_options(page: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Give a click command -o and --force for a page of that name; it takes them as one argument `page`."""

    def given(command: Callable[..., Any]) -> Callable[..., Any]:
        @click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {page}, the same as a page.")
        @click.option("--force", is_flag=True, help="Replace an older page in the folder.")
        @wraps(command)
        def wrapped(*args: Any, output: Path | None, force: bool, **rest: Any) -> Any:
            return command(*args, page=Page(output, force), **rest)

        return wrapped

    return given


def in_logbook_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --name and --logbook; it takes them as one argument `kept`."""

    @click.option("--name", help="A pack of the logbook, by all its recordings.")
    @click.option(
        "--logbook", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the logbook."
    )
    @wraps(command)
    def wrapped(*args: Any, name: str | None, folder: Path | None, **rest: Any) -> Any:
        return command(*args, kept=InLogbook(name, folder), **rest)

    return wrapped
