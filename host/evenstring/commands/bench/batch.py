"""evenstring batch: a folder of recordings and tables, a report each and one overview."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from itertools import groupby
from pathlib import Path
from textwrap import fill

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from evenstring.commands.job_options import accept_option
from evenstring.commands.pack_options import GivenPack, pack_options
from evenstring.commands.say import say, say_json
from evenstring.commands.table_options import table_options
from evenstring.io.files import write_new
from evenstring.io.table import Wishes
from evenstring.logbook.store.files import sha256_of
from evenstring.report.words import counted
from evenstring.text import plain
from evenstring.workshop.acceptance.limits import ready_names
from evenstring.workshop.batch.cluster import refuse_without_distributed, run_on
from evenstring.workshop.batch.labels import PER_SHEET, labels_pdf
from evenstring.workshop.batch.page import title_of
from evenstring.workshop.batch.pool import cores, run_here
from evenstring.workshop.batch.row import UNREAD, Row, label_of
from evenstring.workshop.batch.run import Batch, planned, write_overview
from evenstring.workshop.batch.task import PackText, Settings
from evenstring.workshop.paper.typeset import refuse_without_typst

__all__ = ["command"]

_LABELS = "labels.pdf"
_WIDTH = 80  # columns of a terminal
_NAMED = 5  # rows that the terminal shows: our choice


@click.command("batch", epilog="Example: evenstring batch monday -o monday-reports --labels")
@click.argument("folder", type=click.Path(path_type=Path))
@pack_options
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Folder for reports and overview.")
@accept_option
@click.option(
    "--load-a", type=click.FloatRange(0.1, 5000.0), help="Also say how far down this current may be asked for."
)
@click.option("--paper", is_flag=True, help="Also a sheet.pdf each: one A4 to sign and an appendix (extra: paper).")
@click.option("--labels", is_flag=True, help="Also labels.pdf: 3 x 8 on A4, 70 x 37 mm, with a code to scan (paper).")
@click.option(
    "--start-at", type=click.IntRange(1, PER_SHEET), default=1, help="First place that is free on a begun label sheet."
)
@click.option("--scheduler", metavar="ADDRESS", help="Let the machines of a dask scheduler do it (extra: cluster).")
@click.option("--workers", type=click.IntRange(1, 61), help="Processes at work; by default one for each core.")
@click.option("--json", "as_json", is_flag=True, help="Print the rows of the overview as JSON, and nothing else.")
@table_options
@click.pass_context
def command(  # noqa: PLR0913, PLR0917  # one argument an option, all named by click
    ctx: click.Context,
    folder: Path,
    given: GivenPack,
    output: Path,
    accept: str | None,
    load_a: float | None,
    paper: bool,
    labels: bool,
    start_at: int,
    scheduler: str | None,
    workers: int | None,
    as_json: bool,
    wishes: Wishes,
) -> None:
    """Make a report of each recording and table in FOLDER and those below it, and one overview.

    A file without a pack of its own takes the pack.toml beside it. Called again with the same -o it goes on where it
    was stopped. Exits with 1 where a file could not be read.
    """
    began_s = time.monotonic()
    if paper or labels:
        refuse_without_typst()
    if scheduler:
        refuse_without_distributed()
    settings = Settings(_pack(given), wishes, *_limits(accept), load_a, paper)
    batch = planned(folder, output, settings)
    at_work = workers or cores()
    done = run_on(scheduler, batch.tasks) if scheduler else run_here(batch.tasks, at_work)
    rows, files = write_overview(batch, _shown(batch, done))
    if labels:
        write_new(batch.output / _LABELS, labels_pdf(rows, start_at), force=True)
        files = (*files, batch.output / _LABELS)
    if as_json:
        say_json([asdict(row) for row in rows])
    else:
        where = f"by {scheduler}" if scheduler else counted(at_work, "worker")
        _summary(rows, files, f"{time.monotonic() - began_s:.0f} s, {where}")
    if any(r.action == UNREAD for r in rows):
        ctx.exit(1)


def _pack(given: GivenPack) -> PackText | None:
    text = given.toml()
    return None if text is None else PackText(text, str(given.file or "the options"), bool(given.file or given.groups))


def _limits(accept: str | None) -> tuple[str | None, str]:
    """The name of ready limits, or the path of a file from everywhere, and its digest."""
    if accept is None or accept in ready_names():
        return accept, ""
    return str(Path(accept).absolute()), sha256_of(Path(accept))[0]


def _shown(batch: Batch, rows: Iterable[Row]) -> Iterator[Row]:
    """The rows, with the progress: a bar on a terminal, else a line for each file."""
    console = Console(stderr=True)
    total = len(batch.tasks)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task("files", total=total)
        for k, row in enumerate(rows, 1):
            bar.advance(task)
            if not console.is_terminal:
                say(f"{k}/{total} {row.name}: {row.action.replace('_', ' ')}", err=True)
            yield row


def _summary(rows: tuple[Row, ...], files: tuple[Path, ...], took: str) -> None:
    say(f"{counted(len(rows), 'file')} in {took}:")
    for action, some in groupby(rows, key=lambda r: r.action):
        say(f"{len(list(some)):6d}  {title_of(action)}")
    first = [r for r in rows if r.action in ("do_not_charge", "inspect", UNREAD)]
    if first:
        say("\nFirst:")
    for row in first[:_NAMED]:
        line = f"{plain(row.name if row.error else label_of(row), 60)}: {plain(row.error or row.reason, 300)}"
        say(fill(line, _WIDTH, initial_indent="  ", subsequent_indent="    "))
    if len(first) > _NAMED:
        say(f"  and {len(first) - _NAMED} more, in the overview")
    say(f"\nThe overview: {files[0]}\nBeside it: {', '.join(f.name for f in files[1:])}")
