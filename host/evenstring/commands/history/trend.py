"""evenstring trend: one pack over months, from its recordings."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.analysis.run import analyse
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.logbook.trends.gather import history_of
from evenstring.logbook.trends.months_page import months_lines, months_page

__all__ = ["command"]

_PAGE = "months.html"


@click.command("trend", epilog="Example: evenstring trend 2026-*.frames --pack pack.toml -o months")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@pack_options
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {_PAGE}.")
@click.option("--force", is_flag=True, help="Replace an older page in the folder.")
def command(files: tuple[Path, ...], given: GivenPack, output: Path | None, force: bool) -> None:
    """Say what changed over months in one pack, from its recordings FILES, and what to do next charge."""
    if output:
        refuse_existing(output / _PAGE, force)
    recordings, name = [], ""
    with recordings_of(files, given) as paths:
        for path in paths:
            session, _ = load_recordings((path,))
            profile = profile_of(session, given.profile(session.groups))
            recordings.append((session, analyse(session, profile)))
            name = profile.name or session.ident.string_name
    history = history_of(recordings)
    now_s = float(history.end_s[-1])
    say("\n".join(months_lines(history, now_s)))
    if left := len(recordings) - len(history):
        say(f"Left out, because they have no time of day: {left} of {len(recordings)} recordings.")
    if output:
        make_folder(output)
        write_new(output / _PAGE, months_page(history, name, now_s).encode(), force)
        say(f"\nThe page: {output / _PAGE}")
