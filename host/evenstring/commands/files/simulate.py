"""evenstring simulate: a recording of a pack that does not exist, with its truth beside it."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from evenstring.board.play import play, play_direct, write_truth
from evenstring.commands.board.live_line import LiveLine
from evenstring.commands.say import say
from evenstring.commands.scenarios import ScenarioName
from evenstring.errors import UsageError
from evenstring.io.files import refuse_existing
from evenstring.sim.scenario import load_scenario, scenario_names

__all__ = ["command"]


@click.command(epilog="Example: evenstring simulate ends_early_high_group -o early.frames")
@click.argument("scenario", required=False, type=ScenarioName())
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--direct", is_flag=True, help="Straight to frames, without the firmware on the virtual board: quick.")
@click.option(
    "--list", "show_list", is_flag=True, help="Show the scenarios there are, and which question each answers."
)
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(scenario: str | None, output: Path | None, direct: bool, show_list: bool, force: bool, quiet: bool) -> None:
    """Make a recording of an invented pack: SCENARIO is a name (see --list) or a .toml file.

    The truth (faults, state of charge, time to balanced) is written beside it, as OUTPUT.truth.json.
    """
    if show_list:
        _list()
        return
    if not scenario or output is None:
        raise UsageError("simulate needs a scenario and -o FILE; `evenstring simulate --list` shows the scenarios")
    chosen = load_scenario(scenario)
    refuse_existing(output, force)
    trajectory = chosen.run()
    if direct:
        play_direct(chosen, trajectory, output, force=force)
    else:
        with LiveLine(output, quiet=quiet) as line:
            play(chosen, trajectory, output, partial(line.show, output), force=force)
    truth = write_truth(chosen, trajectory, output)
    say(f"{output}: {chosen.title}; the truth is in {truth}")


def _list() -> None:
    table = Table("scenario", "questions", "what it is", box=None)
    for name in scenario_names():
        chosen = load_scenario(name)
        table.add_row(name, ", ".join(map(str, chosen.answers)), chosen.title)
    Console().print(table)
