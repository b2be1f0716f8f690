"""evenstring fetch: what a board recorded by itself, to this disk."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

from evenstring.board.fetch import Fetched, Segment, fetch_segment, list_segments, memory_notes, place_of
from evenstring.board.talk import Talk
from evenstring.commands.log_options import Log, log_option
from evenstring.commands.say import say
from evenstring.io.assemble import ident_of
from evenstring.io.files import make_folder
from evenstring.io.port import open_port
from evenstring.session import Ident

__all__ = ["command"]


@click.command("fetch", epilog="Example: evenstring fetch /dev/ttyACM0 -o rides && evenstring report rides/*.frames")
@click.argument("port")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for the recordings.")
@click.option("--erase", is_flag=True, help="Delete on the board what was verified on this disk.")
@click.option("--list", "only_list", is_flag=True, help="Only say what is there.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
@log_option
def command(port: str, output: Path | None, erase: bool, only_list: bool, quiet: bool, log: Log | None) -> None:
    """Bring the recordings on the board at PORT to this disk; an interrupted run goes on where it stopped.

    Named by day, string, board and number; each is read back and compared with the board's own flash before it
    counts. Nothing is erased unless asked.
    Use a computer on battery, or an isolated port: the board hangs on a pack that can kill and burn.
    """
    if output is None and not only_list:
        raise click.UsageError("say where to put them: -o FOLDER (or --list)")
    line = open_port(port)
    try:
        talk = Talk(line, port)
        say(f"asking the board at {port} what it has recorded; a silent one is given up on within 20 s", err=True)
        ident = ident_of(talk.ask("IDENTIFY", "IDENT"))
        segments = list_segments(talk)
        for note in memory_notes(talk):
            say(f"the board's own memory: {note}")
        if only_list or output is None:
            _show(segments, ident.memory_words)
            return
        make_folder(output)
        done = _fetch_all(talk, segments, output, ident, erase, quiet)
    finally:
        line.close()
    new = sum(f.new_bytes for f in done)
    gone = sum(f.erased for f in done)
    say(
        f"{output}: {len(done)} recordings verified, {new} bytes new"
        + (f", {gone} erased on the board, {len(done) - gone} left there" if erase else "")
    )
    if log:
        log.take([f.path for f in done])


def _show(segments: list[Segment], memory: str) -> None:
    for s in segments:
        notes = [text for flag, text in ((s.alarm, "holds an alarm"), (s.open, "being written")) if flag]
        say(f"{s.number:8d}  {s.size_bytes:8d} bytes  {', '.join(notes)}".rstrip())
    say(f"{len(segments)} segments, {sum(s.size_bytes for s in segments)} bytes")
    if memory:
        say(f"the board's own memory: {memory}")


def _fetch_all(
    talk: Talk, segments: list[Segment], folder: Path, ident: Ident, erase: bool, quiet: bool
) -> list[Fetched]:
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    day = f"{datetime.now().astimezone():%Y-%m-%d}"
    with Progress(*columns, console=console, disable=quiet or not console.is_terminal) as bar:
        task = bar.add_task("fetching", total=sum(s.size_bytes for s in segments))
        return [
            fetch_segment(
                talk,
                s,
                place_of(folder, ident.board_id, s.number, ident.string_name, day),
                erase=erase,
                progress=lambda n: bar.advance(task, n),
            )
            for s in segments
        ]
