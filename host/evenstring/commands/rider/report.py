"""evenstring report: what happened to this string, as a page and as report.json."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.table_options import table_options
from evenstring.io.files import make_folder, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.profile import PackProfile
from evenstring.report.build import build_report
from evenstring.report.looks_text import second_look_lines
from evenstring.report.page import render
from evenstring.session import Session

__all__ = ["command", "write_report"]


def write_report(
    session: Session,
    files: tuple[Path, ...],
    given: GivenPack,
    output: Path,
    load_a: float | None = None,
    parts: tuple[Session, ...] = (),
) -> dict[str, Any]:
    """Write report.html and report.json into the folder `output`; return the report.

    `parts`: each recording for itself, when there are several: what changed between them is a finding of its own.
    """
    profile = _profile(session, given, load_a)
    report = build_report(session, profile, parts)
    page = render(session, profile, report, ", ".join(f.name for f in files))
    make_folder(output)
    # A report is made anew each time from its recordings: replacing an older one loses nothing.
    numbers = json.dumps(report, indent=1, ensure_ascii=False) + "\n"
    write_new(output / "report.json", numbers.encode(), force=True)
    write_new(output / "report.html", page.encode(), force=True)
    return report


def _profile(session: Session, given: GivenPack, load_a: float | None) -> PackProfile:
    profile = profile_of(session, given.profile(session.groups))
    if load_a is None:
        return profile
    return replace(profile, load_a=load_a, defaults=tuple(d for d in profile.defaults if d != "ride.load_a"))


@click.command("report", epilog="Example: evenstring report charge.frames --pack pack.toml -o charge-report")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@pack_options
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for report.html and report.json.")
@click.option(
    "--load-a", type=click.FloatRange(0.1, 5000.0), help="Also say how far down this current may be asked for."
)
@click.option("--json", "as_json", is_flag=True, help="Print report.json and nothing else.")
@click.option("--exit-verdict", is_flag=True, help="Exit with 3 when the verdict is not to charge or ride.")
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    files: tuple[Path, ...],
    given: GivenPack,
    output: Path | None,
    load_a: float | None,
    as_json: bool,
    exit_verdict: bool,
    wishes: Wishes,
) -> None:
    """Say what is uneven in the recording(s) or table(s) FILES, and what to do.

    Several recordings of one pack are also compared: leak and fade between the first and the last.
    """
    with recordings_of(files, given, wishes) as recordings:
        session, parts = load_recordings(recordings)
    if as_json:
        report = build_report(session, _profile(session, given, load_a), parts)
        click.echo(json.dumps(report, indent=1, ensure_ascii=False))
    else:
        folder = output or files[0].with_name(files[0].stem + "-report")
        report = write_report(session, files, given, folder, load_a, parts)
        click.echo(f"{folder / 'report.html'}\n{folder / 'report.json'}")
        for line in second_look_lines(report):
            click.echo(line)
    if exit_verdict and report["verdict"] and report["verdict"]["action"] in ("do_not_charge", "inspect"):
        ctx.exit(3)
