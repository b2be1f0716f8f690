"""evenstring report: what happened to this string, as a page and as report.json."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from evenstring.commands.job_options import Bench, bench_options
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.rider.report_strings import (
    refuse_old_strings,
    say_strings,
    strings_fail,
    strings_numbers,
    write_all,
)
from evenstring.commands.say import say, say_folded, say_json
from evenstring.commands.table_options import table_options
from evenstring.io.files import refuse_existing
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.profile import PackProfile
from evenstring.report.material import Material, gather_material
from evenstring.report.next_steps import next_step, record_next
from evenstring.report.reasons import headline, sentence, sure_line
from evenstring.report.report_json import report_json
from evenstring.report.sections.since_before import lines_of
from evenstring.session import Session
from evenstring.workshop.acceptance.table import acceptance_json, terminal_lines
from evenstring.workshop.held import Held, hold
from evenstring.workshop.paper.typeset import refuse_without_typst
from evenstring.workshop.strings.beside import OneString, StringFiles, refuse_two_at_once, told_apart
from evenstring.workshop.written import NUMBERS, PAGE, SHEET, write_report

__all__ = ["command", "refuse_old_report", "summary_lines"]


def refuse_old_report(output: Path, force: bool) -> None:
    """Say before the work is done that an older report stands in the folder."""
    for part in (NUMBERS, PAGE):
        refuse_existing(output / part, force)


def summary_lines(material: Material) -> list[str]:
    """The verdict, how sure it is, its reasons, and what to do now."""
    verdict = material.found.verdict
    after = record_next(material)
    lines = [f"{headline(verdict)}. {sure_line(verdict)}", *(f"  - {sentence(r)}" for r in verdict.reasons)]
    lines.append(f"Now: {next_step(material)}")
    return [*lines, *([f"After that, to know more, record: {after}."] if after else [])]


def _refuse_old(apart: Sequence[StringFiles], folder: Path, bench: Bench, force: bool) -> None:
    if apart:
        refuse_old_strings([string.folder for string in apart], folder, bench, force)
        return
    refuse_old_report(folder, force)
    if bench.paper:
        refuse_existing(folder / SHEET, force)


def _material(recordings: Sequence[Path], given: GivenPack, load_a: float | None) -> Material:
    session, parts = load_recordings(recordings)
    refuse_two_at_once(parts)
    return gather_material(session, _profile(session, given, load_a), parts)


def _tell_strings(
    strings: Sequence[OneString], names: Sequence[str], folder: Path, bench: Bench, force: bool, *, as_json: bool
) -> bool:
    """Whether --exit-verdict asks for it."""
    if as_json:
        say_json(strings_numbers(strings, bench))
    else:
        write_all(strings, names, folder, bench, force)
        say_strings(strings, folder, bench)
    return strings_fail(strings, bench)


def _tell_one(
    material: Material, names: Sequence[str], folder: Path, bench: Bench, force: bool, *, as_json: bool
) -> bool:
    """Whether --exit-verdict asks for it."""
    held = hold(material, bench.job, bench.accept)
    if as_json:
        say_json(report_json(material, held.additions))
    else:
        write_report(material, names, folder, force, held, paper=bench.paper)
        _say_one(material, held, folder, bench)
    return held.fails or material.found.verdict.action in ("do_not_charge", "inspect")


def _say_one(material: Material, held: Held, folder: Path, bench: Bench) -> None:
    for line in summary_lines(material):
        say_folded(line)
    for line in terminal_lines(acceptance_json(held.acceptance)) if held.acceptance else ():
        say_folded(line)
    if held.unread:
        say_folded(f"The job in this recording {held.unread.said()}")
    for line in lines_of(material.second) if material.second else ():
        say(line)
    if bench.paper:
        say(f"\nThe sheet: {folder / SHEET}")
    say(f"\nThe page: {folder / PAGE}\nThe numbers: {folder / NUMBERS}")


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
@click.option("--force", is_flag=True, help="Replace an older report in the folder.")
@click.option(
    "--exit-verdict",
    is_flag=True,
    help="Exit with 3 when the verdict is not to charge, or to inspect first, or when --accept fails.",
)
@bench_options
@table_options
@click.pass_context
def command(  # noqa: PLR0913, PLR0917  # one argument an option, all named by click
    ctx: click.Context,
    files: tuple[Path, ...],
    given: GivenPack,
    output: Path | None,
    load_a: float | None,
    as_json: bool,
    force: bool,
    exit_verdict: bool,
    bench: Bench,
    wishes: Wishes,
) -> None:
    """Say what is uneven in the recording(s) or table(s) FILES, and what to do.

    Several recordings of one pack are also compared: leak and fade between the first and the last. Recordings of boards
    that name different strings are taken for strings of one vehicle: a report each, and a page with all of them.
    """
    folder = output or files[0].with_name(files[0].stem + "-report")
    if bench.paper and not as_json:
        refuse_without_typst()
    with recordings_of(files, given, wishes) as recordings:
        apart = told_apart(recordings)
        if not as_json:
            _refuse_old(apart, folder, bench, force)
        all_of_one = tuple(range(len(recordings)))
        found = [
            _material([recordings[k] for k in places], given, load_a)
            for places in ([string.places for string in apart] or [all_of_one])
        ]
    names = [f.name for f in files]
    if apart:
        strings = [OneString(*pair) for pair in zip(apart, found, strict=True)]
        fails = _tell_strings(strings, names, folder, bench, force, as_json=as_json)
    else:
        fails = _tell_one(found[0], names, folder, bench, force, as_json=as_json)
    if exit_verdict and fails:
        ctx.exit(3)
