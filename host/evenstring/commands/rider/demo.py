"""evenstring demo: the whole chain with no hardware, from an invented pack to its report."""

from __future__ import annotations

import time
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from evenstring.board.play import play, play_direct, write_truth
from evenstring.commands.rider.demo_year import demo_year
from evenstring.commands.rider.report import refuse_old_report, summary_lines
from evenstring.commands.say import say
from evenstring.commands.scenarios import ScenarioName
from evenstring.io.capture import Status
from evenstring.io.files import refuse_existing
from evenstring.io.load import load_session, profile_of
from evenstring.report.material import Material, gather_material
from evenstring.report.words import counted
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario import Scenario, load_scenario
from evenstring.workshop.written import write_report

__all__ = ["command"]


@click.command("demo", epilog="Example: evenstring demo -o demo")
@click.option(
    "-o", "--output", default=Path("demo"), show_default=True, type=click.Path(path_type=Path), help="Folder."
)
@click.option(
    "--scenario",
    default="demo",
    show_default=True,
    type=ScenarioName(),
    help="Another scenario: see `evenstring simulate --list`; or year: 300 evenings of one pack, over months.",
)
@click.option("--direct", is_flag=True, help="Leave out the virtual board and its firmware: ready in seconds.")
@click.option("--force", is_flag=True, help="Replace an older demo in the folder.")
def command(output: Path, scenario: str, direct: bool, force: bool) -> None:
    """Record an invented pack through the real firmware on a virtual board, and report on it.

    The folder gets recording, report.html, report.json and the truth that the simulator knows.
    """
    if scenario == "year":
        demo_year(output, force)
        return
    began_s = time.monotonic()
    chosen = load_scenario(scenario)
    say(f"{chosen.title} (invented)\n{chosen.story}".rstrip())
    recording = output / f"{chosen.name}.frames"
    refuse_existing(recording, force)
    refuse_old_report(output, force)
    trajectory = chosen.run()
    if direct:
        play_direct(chosen, trajectory, recording, force=True)
    else:
        _play(chosen, trajectory, recording)
    truth = write_truth(chosen, trajectory, recording)
    session = load_session([recording])
    material = gather_material(session, profile_of(session))
    write_report(material, [recording.name], output, force=True)
    say("\n".join(_summary(material)))
    say(f"\nDone in {time.monotonic() - began_s:.0f} s. Look at {output / 'report.html'}")
    say(f"Also there: {recording.name}, report.json, {truth.name}")


def _play(scenario: Scenario, trajectory: Trajectory, recording: Path) -> None:
    """Through the virtual board, with a bar that runs in the scenario's own time."""
    total_s = float(trajectory.time_s[-1])
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[scans]} scans"),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    if not console.is_terminal:
        say(f"recording {total_s / 3600:.1f} h of its time through the firmware; this takes a minute or two")
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("recording", total=total_s, scans=0)

        def show(status: Status) -> None:
            bar.update(task, completed=min(status.uptime_ms / 1000.0, total_s), scans=status.scans)

        play(scenario, trajectory, recording, show, force=True)


def _summary(material: Material) -> list[str]:
    session, spread = material.session, material.found.spread
    made_by = session.ident.runtime or "the simulator itself, with no firmware in between"
    what = f"{counted(session.scans, 'scan')} of {session.groups} groups over {session.duration_s / 3600:.1f} h"
    link = session.link
    lines = ["", f"{what}, made by {made_by}; {link.frames_damaged} frames damaged, {link.frames_lost} lost"]
    if spread.start_mv is not None and spread.max_mv is not None and spread.end_mv is not None:
        first, most, last = (f"{mv:.0f} mV" for mv in (spread.start_mv, spread.max_mv, spread.end_mv))
        lines.append(f"spread: {first} at first, {most} at most, {last} at the end")
    return [*lines, "", *summary_lines(material)]
