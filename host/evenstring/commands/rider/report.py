"""evenstring report: what happened to this string, as a page and as report.json."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import click

from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.table_options import table_options
from evenstring.io.files import make_folder, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.profile import PackProfile
from evenstring.report.material import Material, gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.report.sections.since_before import lines_of
from evenstring.session import Session

__all__ = ["command", "write_report"]


def write_report(material: Material, files: tuple[Path, ...], output: Path) -> None:
    """Write report.html and report.json into the folder `output`."""
    make_folder(output)
    # A report is made anew each time from its recordings: replacing an older one loses nothing.
    numbers = json.dumps(report_json(material), indent=1, ensure_ascii=False) + "\n"
    page = render(material, ", ".join(f.name for f in files))
    write_new(output / "report.json", numbers.encode(), force=True)
    write_new(output / "report.html", page.encode(), force=True)


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
    material = gather_material(session, _profile(session, given, load_a), parts)
    if as_json:
        click.echo(json.dumps(report_json(material), indent=1, ensure_ascii=False))
    else:
        folder = output or files[0].with_name(files[0].stem + "-report")
        write_report(material, files, folder)
        click.echo(f"{folder / 'report.html'}\n{folder / 'report.json'}")
        for line in lines_of(material.second) if material.second else ():
            click.echo(line)
    if exit_verdict and material.found.verdict.action in ("do_not_charge", "inspect"):
        ctx.exit(3)
