"""Options of the bench: the job that a recording belongs to, and limits that a report is held against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any

import click

from evenstring.workshop.acceptance.limits import ready_names
from evenstring.workshop.job import Job, job_given

__all__ = ["Bench", "accept_option", "bench_options", "job_option"]


def job_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the option --job; it takes the job, or None, as one argument `job`."""

    @click.option(
        "--job",
        "job_texts",
        multiple=True,
        metavar="FILE|KEY=VALUE",
        help="The job: a TOML file, or number=12, customer=..., serial=..., operator=..., meter=...; may be repeated.",
    )
    @wraps(command)
    def wrapped(*args: Any, job_texts: tuple[str, ...], **rest: Any) -> Any:
        return command(*args, job=job_given(job_texts), **rest)

    return wrapped


def accept_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the option --accept; it takes the name of limits, or None, as one argument `accept`."""
    return click.option(
        "--accept",
        metavar="NAME|FILE",
        help=f"Hold it against limits: {', '.join(ready_names())}, or a TOML file.",
    )(command)


@dataclass(frozen=True, slots=True)
class Bench:
    """What the command line says of job, limits and paper."""

    job: Job | None
    accept: str | None
    paper: bool


def bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --job, --accept and --paper; it takes them as one argument `bench`."""

    @job_option
    @accept_option
    @click.option("--paper", is_flag=True, help="Also sheet.pdf: one A4 to sign and an appendix (extra: paper).")
    @wraps(command)
    def wrapped(*args: Any, job: Job | None, accept: str | None, paper: bool, **rest: Any) -> Any:
        return command(*args, bench=Bench(job, accept, paper), **rest)

    return wrapped
