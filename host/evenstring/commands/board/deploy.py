"""evenstring deploy: the firmware onto a board."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from evenstring.board.deploy import Plan, boards, make_plan, probe, rescue_latch, write_plan
from evenstring.board.talk import Talk
from evenstring.commands.say import say
from evenstring.errors import DeviceError, InputError
from evenstring.io.port import open_port

__all__ = ["command"]

_CONSOLE_S = 20  # for a board's console to answer; our choice
CAUTIONS = """\
Before you go on:
  - Unplug the harness from the pack. While files are written nothing watches the string, and pins change unasked.
  - A pack above 60 V DC can kill, and any lithium-ion pack can burn. Work by your local rules; leave what needs a
    licence to those who have one. Follow the pack maker's instructions.
  - Never connect a mains-powered computer to a build that hangs on a pack; use one on battery, unplugged,
    until the barrier of the build has been tested.
  - The monitor is no substitute for the pack's protection board."""


@click.command("deploy", epilog="Example: evenstring deploy /dev/ttyACM0 --board rp2040 --groups 20")
@click.argument("port")
@click.option("--board", default="rp2040", show_default=True, help="Name of a board description, or a JSON file.")
@click.option("--groups", type=click.IntRange(1, 40), help="Cell groups of the string.")
@click.option("--string-name", help="Which string of the vehicle this board watches.")
@click.option("--dry-run", is_flag=True, help="Only say what would be done; needs no board.")
@click.option("--harness-unplugged", is_flag=True, help="Say that the harness is unplugged, instead of being asked.")
def command(
    port: str, board: str, groups: int | None, string_name: str | None, dry_run: bool, harness_unplugged: bool
) -> None:
    """Put the firmware on the board at PORT, check every file there, and see that it answers.

    A board that already runs the firmware is told to restart into its console; otherwise hold its maintenance pin low.
    """
    changes: dict[str, Any] = {}
    if groups is not None:
        changes["groups"] = groups
    if string_name is not None:
        changes["string_name"] = string_name
    description = _description(board)
    if dry_run:
        _show(make_plan(description, changes), port)
        return
    say(CAUTIONS)
    if not harness_unplugged and not click.confirm("Is the harness unplugged from the pack?"):
        raise InputError("nothing was done: unplug the harness first")
    _leave_monitor(port)
    written, total = _install(port, description, changes)
    say(f"{port}: {written} of {total} files written, all verified")
    _verify(port)


def _description(board: str) -> Path:
    known = boards()
    if board in known:
        return known[board]
    if Path(board).is_file():
        return Path(board)
    raise InputError(f"{board}: no such board description; use one of {', '.join(known)}, or give a JSON file")


def _show(plan: Plan, port: str) -> None:
    say(CAUTIONS)
    say(f"\nWould write to {port}, and check each file by its SHA-256:")
    for item in plan.items:
        say(f"  {len(item.data):7d} bytes  {item.path}")
    say(f"  {plan.size_bytes:7d} bytes  in {len(plan.items)} files, main.py last; then ask the board who it is")
    say("Nothing was done.")


def _leave_monitor(port: str) -> None:
    """A board that runs the monitor restarts into its console; any other is left as it is."""
    say(f"{port}: asking whether the monitor runs there (at most 6 s)")
    line = open_port(port)
    asked = False
    try:
        talk = Talk(line, port, answer_s=1.5)
        with suppress(DeviceError):
            ident = talk.ask("IDENTIFY", "IDENT")
            asked = True
            talk.ask("MAINTAIN", "REPLY", boot_count=ident["boot_count"])
            say(f"{port}: {ident['firmware']} restarts into its console")
    finally:
        line.close()
    if asked:  # also when its answer was lost: it may have gone all the same
        say(f"{port}: waiting 3 s for its restart")
        time.sleep(3.0)


def _install(port: str, description: Path, changes: dict[str, Any]) -> tuple[int, int]:
    try:
        from mpremote.transport import TransportError  # noqa: PLC0415  # an extra: only this command needs it
        from mpremote.transport_serial import SerialTransport  # noqa: PLC0415  # as above
    except ImportError as error:
        raise InputError("deploy needs mpremote: pip install 'evenstring[deploy]'") from error
    plan = make_plan(description, changes)
    say(f"{port}: waiting for the board's console (at most {_CONSOLE_S} s)")
    try:
        transport = SerialTransport(port, baudrate=115200, wait=5)
        try:
            with _given_up_on(transport):
                transport.enter_raw_repl(soft_reset=False)
            found = probe(transport, plan)
            say(f"{port}: {found.machine}, MicroPython {'.'.join(map(str, found.version))}")
            if found.arch:
                plan = make_plan(description, changes, found.arch)
            latch = None if found.has_firmware else rescue_latch(transport, plan.recorder_folder)
            if latch:
                say("past alarms found in the flash: they are kept")
            written = write_plan(transport, plan, latch, lambda item: say(f"  {item.path}"))
            transport.exec_raw_no_follow("import machine\nmachine.reset()")
        finally:
            transport.close()
    except (TransportError, OSError) as error:
        raise DeviceError(
            f"{port}: the board's console does not answer ({error}); hold its maintenance pin low, plug in, run again"
        ) from error
    return written, len(plan.items)


@contextmanager
def _given_up_on(transport: Any) -> Iterator[None]:
    """Close the port under a wait that lasts too long: a board that keeps talking would hold it for ever."""
    timer = threading.Timer(_CONSOLE_S, lambda: transport.serial.close())  # noqa: PLW0108  # looked up when it is due
    timer.daemon = True
    timer.start()
    try:
        yield
    except (TypeError, AttributeError, ValueError) as error:  # what a port says that was closed while being read
        raise OSError(f"no console within {_CONSOLE_S} s") from error
    finally:
        timer.cancel()


def _verify(port: str) -> None:
    say(f"{port}: waiting for its restart, then asking who it is (at most 20 s)")
    time.sleep(4.0)
    line = open_port(port)
    try:
        ident = Talk(line, port).ask("IDENTIFY", "IDENT")
    finally:
        line.close()
    say(f"{port}: {ident['firmware']} on {ident['runtime']}, {ident['groups']} groups, boot {ident['boot_count']}")
    say("Check the sense leads with a hand meter before the first plugging: see `evenstring wiring`.")
