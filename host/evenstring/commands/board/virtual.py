"""evenstring virtual: a practice board on a port of this computer, with an invented pack behind it."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import click

from evenstring.board.faults import BOARD_FAULTS, played
from evenstring.board.play import sensors_of, trace_step_s
from evenstring.board.virtual import VirtualBoard
from evenstring.commands.say import say
from evenstring.commands.scenarios import ScenarioName
from evenstring.io.files import make_folder
from evenstring.sim.scenario import load_scenario
from evenstring.sim.scenario.board_trace import write_trace

__all__ = ["command"]

_LOOK_S = 0.2  # how often the board is looked after; our choice
_FAULTS = "\n".join(f"  {name:<18} {fault.words}" for name, fault in BOARD_FAULTS.items())


@click.command(
    "virtual",
    epilog=f"""\b
Faults of the board itself (those of the pack are scenarios):
{_FAULTS}

Example: evenstring virtual --scenario ends_early_high_group --speed 60""",
)
@click.option("--scenario", default="demo", show_default=True, type=ScenarioName(),
              help="What the pack does: see `evenstring simulate --list`, or a .toml file.")  # fmt: skip
@click.option("--speed", default=1, show_default=True, type=click.IntRange(0, 3600),
              help="1: as in life; 60: an hour a minute; 0: as fast as it goes.")  # fmt: skip
@click.option("--flash", type=click.Path(path_type=Path),
              help="Folder that is the board's own memory; by default it is forgotten at the end.")  # fmt: skip
@click.option("--fault", "faults", multiple=True, type=click.Choice(list(BOARD_FAULTS)), metavar="NAME",
              help="What goes wrong with the board itself; names below. Can be given more than once.")  # fmt: skip
@click.option("--fault-after", "after_s", default=20.0, show_default=True, type=click.FloatRange(0, 86400),
              help="Seconds of scanning before the fault; 0: it is there at power-up.")  # fmt: skip
@click.option("--seconds", type=click.FloatRange(min=0), help="End after this time; otherwise Ctrl-C ends it.")
def command(
    scenario: str, speed: int, flash: Path | None, faults: tuple[str, ...], after_s: float, seconds: float | None
) -> None:
    """Start a practice board: the real firmware over an invented pack. It prints its PORT and runs until Ctrl-C.

    In another terminal all commands take that PORT: watch, record, fetch, calibrate. It stands on Linux and macOS; on
    Windows a recording can be played back instead (evenstring watch FILE).
    """
    chosen = load_scenario(scenario)
    trajectory = chosen.run()
    with tempfile.TemporaryDirectory(prefix="evenstring-") as folder:
        trace = Path(folder) / "pack.trace"
        write_trace(trajectory, chosen.meter, trace, step_s=trace_step_s(trajectory))
        memory = flash or Path(folder) / "flash"
        make_folder(memory)
        board = VirtualBoard(
            trace,
            trajectory.pack.groups,
            string_name=chosen.name,
            speed=speed,
            changes={"recorder": {"folder": str(memory.resolve()), "room_kb": 400}, **sensors_of(chosen)},
            faults=played(faults, after_s),
        )
        with board:
            say(f"{chosen.title} (invented), {trajectory.time_s[-1] / 3600:.1f} h of it")
            for name in faults:
                say(f"fault from second {after_s:g} on: {BOARD_FAULTS[name].words}")
            say(f"PORT is {board.port}")
            say(f"Try, in another terminal:  evenstring watch {board.port}\nCtrl-C ends the board.")
            _until_the_end(board, seconds)


def _until_the_end(board: VirtualBoard, seconds: float | None) -> None:
    end_s = None if seconds is None else time.monotonic() + seconds
    try:
        while board.is_running and (end_s is None or time.monotonic() < end_s):
            time.sleep(_LOOK_S)
    except KeyboardInterrupt:
        say("ended")
        return
    if not board.is_running:
        board.wait()
        say("the pack's story is over, so the board ends")
