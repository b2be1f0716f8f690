"""evenstring bench: a guided session: what to do next so that every limit can be decided, until enough was seen."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from evenstring.commands.bench.onlooker import Look, Onlooker
from evenstring.commands.bench.switching import Switching
from evenstring.commands.bench.switching_options import Stated, switching_options
from evenstring.commands.bench.wiring import problems_in
from evenstring.commands.board.record import ended_by_signals, refuse_silence
from evenstring.commands.job_options import job_option
from evenstring.commands.say import say, say_folded, say_json
from evenstring.errors import DeviceError, InputError, UsageError
from evenstring.hardware.cautions import BENCH, SWITCHED, UNSWITCHED
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.load import load_session, profile_of
from evenstring.io.recorder import Forwarder, RecordingWriter
from evenstring.profile import PackProfile, load_profile
from evenstring.report.material import Material, gather_material
from evenstring.text import plain
from evenstring.workshop.acceptance.accept import Acceptance
from evenstring.workshop.acceptance.limits import limits_named, ready_names
from evenstring.workshop.acceptance.table import acceptance_json, terminal_lines
from evenstring.workshop.held import hold
from evenstring.workshop.job import Job, job_toml
from evenstring.workshop.lead_check import leads_read
from evenstring.workshop.procedure import Guide, guide
from evenstring.workshop.stated import limits_out_of_reach, stated_against_seen

__all__ = ["command"]

_SLOWEST_MS = 2000  # between scans while something is switched: our choice, well under what counts as silent
_HALTING = ("SIGTSTP", "SIGQUIT")  # else they would leave an output on with nobody to watch over it
_NOT_TO_CHARGE = ("do_not_charge", "inspect")


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What one session is to decide, of which pack, and where it is recorded."""

    output: Path
    append: bool
    profile: PackProfile
    job: Job | None
    accept_name: str
    stated: Stated

    def material(self) -> Material:
        """The recording so far, analysed."""
        session = load_session([self.output])
        if not session.scans:
            raise InputError(f"{self.output}: the board sent no scan, so nothing was seen; the recording is kept")
        return gather_material(session, profile_of(session, self.profile))

    def acceptance(self, material: Material) -> Acceptance:
        """Limits decided by it."""
        made = hold(material, self.job, self.accept_name).acceptance
        assert made is not None  # noqa: S101  # limits were named
        return made

    def look(self, over: frozenset[str]) -> Look:
        """What is seen now; `over`: steps that came to their own end."""
        material = self.material()
        acceptance, stated = self.acceptance(material), self.stated
        notes = stated_against_seen(material, stated.current_a, stated.charge_a)
        seen = (f"seen {leads_read(material)}",) if leads_read(material) else ()
        return Look(guide(material, acceptance, over), acceptance, (*seen, *notes))


@click.command("bench", epilog="Example: evenstring bench /dev/ttyACM0 --pack pack.toml --job job.toml -o bench.frames")
@click.argument("port")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--pack", required=True, type=click.Path(path_type=Path), help="Pack profile.")
@job_option
@click.option("--accept", "accept_name", default="in_service", show_default=True, metavar="NAME|FILE",
              help=f"Limits to be decided: {', '.join(ready_names())}, or a TOML file.")  # fmt: skip
@click.option("--check", type=click.Path(path_type=Path), help="Hand-meter readings, held against the limits first.")
@switching_options
@click.option("--append", is_flag=True, help="Go on with a session that was left.")
@click.option("--interval-ms", default=0, type=click.IntRange(0, 65535),
              help="Time between scans; 0: as fast as it can.")  # fmt: skip
@click.option("--seconds", type=click.FloatRange(min=0), help="End after this time even if not enough was seen.")
@click.option("--look-s", default=30.0, show_default=True, type=click.FloatRange(0.2, 3600.0),
              help="Time between two looks at what was seen.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was decided as JSON, and nothing else on stdout.")
@click.option(
    "--exit-verdict", is_flag=True, help="Exit with 3 when a limit is broken, or not to charge, or to inspect."
)
@click.pass_context
def command(  # noqa: PLR0913, PLR0917  # one argument an option, all named by click
    ctx: click.Context,
    port: str,
    output: Path,
    pack: Path,
    job: Job | None,
    accept_name: str,
    check: Path | None,
    stated: Stated,
    append: bool,
    interval_ms: int,
    seconds: float | None,
    look_s: float,
    as_json: bool,
    exit_verdict: bool,
) -> None:
    """Record the monitor on PORT and say what to do next, until every limit that can be decided is.

    You switch load and charger; the tool sees it, asks for a step while it can still decide something, and ends by
    itself. With --load or --supply it switches that one, each time after a typed yes, and off when anything is not as
    it should be. The pack's protection board stays in charge. A session that was left goes on with --append.
    """
    profile = load_profile(pack)
    limits = limits_named(accept_name, profile)  # a mistake in it is told before anything is recorded
    if interval_ms > _SLOWEST_MS and (stated.load or stated.supply):
        raise UsageError(f"the monitor watches over load and supply: scans at least every {_SLOWEST_MS} ms")
    wanted = _Wanted(output, append, profile, job, accept_name, stated)
    options = CaptureOptions(interval_ms, seconds=seconds, profile=profile, job_toml=job_toml(job) if job else None)

    def tell(line: str) -> None:
        say_folded(line, err=as_json)

    say(f"{BENCH}{SWITCHED if stated.load or stated.supply else UNSWITCHED}", err=as_json)
    for note in limits_out_of_reach(limits, stated.current_a):
        tell(note)
    if check:
        _check_leads(check, profile, tell)
        if not (append and output.exists()) and sys.stdin.isatty():  # where it goes on, the plug is in
            click.prompt("Now the plug; then press Enter", default="", show_default=False, err=as_json)
    switching = _session(port, wanted, options, look_s, tell)
    material = wanted.material()
    acceptance = wanted.acceptance(material)
    seen = guide(material, acceptance, frozenset(switching.over))
    if as_json:
        say_json(_result(output, seen, acceptance, material, switching))
    else:
        _say_end(output, accept_name, seen, acceptance)
    if switching.fault:
        raise DeviceError(f"{switching.fault}. What was recorded is kept in {output}; find the cause, then --append")
    if exit_verdict and (acceptance.result == "fail" or material.found.verdict.action in _NOT_TO_CHARGE):
        ctx.exit(3)


def _session(
    port: str, wanted: _Wanted, options: CaptureOptions, look_s: float, tell: Callable[[str], None]
) -> Switching:
    """Record until enough was seen, or somebody or something ends it; every output is off after it."""
    switching = wanted.stated.switching(wanted.profile, tell)
    onlooker = Onlooker(lambda: wanted.look(frozenset(switching.over)), tell, look_s)

    def tick(status: Status) -> None:
        onlooker.tick(status)
        if switching.tick(onlooker.step):
            onlooker.hurry()

    try:
        with (
            ended_by_signals(*(_HALTING if switching.hands else ())) as asked,
            RecordingWriter(wanted.output, wanted.append) as writer,
        ):

            def over() -> bool:
                if asked():
                    switching.release()
                return asked() or onlooker.enough or bool(switching.fault and wanted.stated.yes)

            try:
                capture(port, Forwarder(writer, switching.take), options, tick, over)
            finally:
                switching.close()
    finally:
        switching.close()
        onlooker.close()
    refuse_silence(port, writer, wanted.append)
    return switching


def _check_leads(file: Path, profile: PackProfile, tell: Callable[[str], None]) -> None:
    problems = problems_in(file, profile.groups, profile, tell)
    if problems:
        raise InputError(f"{file}: {'; '.join(problems)}. Do not plug in; find the cause on the pack side first")
    tell(f"{plain(file)}: each group lies within the limits; the plug may go in")


def _say_end(output: Path, accept_name: str, seen: Guide, acceptance: Acceptance) -> None:
    say("")
    for line in terminal_lines(acceptance_json(acceptance)):
        say_folded(line)
    if seen.step is not None:
        say_folded(f"Left before enough was seen. To go on: the same with --append. NEXT: {seen.step.ask}")
    say(f"The recording: {plain(output)}\nNow: evenstring report {plain(output)} --accept {plain(accept_name)} --paper")


def _result(
    output: Path, seen: Guide, acceptance: Acceptance, material: Material, switching: Switching
) -> dict[str, Any]:
    step = seen.step
    return {
        "format": "evenstring-bench/1",
        "recording": str(output),
        "enough": step is None,
        "next": None if step is None else {"step": step.key, "ask": step.ask, "caution": step.caution},
        "progress": seen.progress,
        "note": seen.note or None,
        "ended_by_themselves": sorted(switching.over),
        "fault": switching.fault or None,
        "verdict": material.found.verdict.action,
        "acceptance": acceptance_json(acceptance),
    }
