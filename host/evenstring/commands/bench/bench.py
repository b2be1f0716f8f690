"""evenstring bench: a guided session: what to do next so that every limit can be decided, until enough was seen."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import click

from evenstring.commands.board.record import ended_by_signals, refuse_silence
from evenstring.commands.job_options import job_option
from evenstring.commands.say import say
from evenstring.errors import EvenstringError, InputError
from evenstring.hardware.cautions import BENCH
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.load import load_session, profile_of
from evenstring.io.recorder import RecordingWriter
from evenstring.profile import load_profile
from evenstring.report.material import gather_material
from evenstring.text import plain
from evenstring.workshop.acceptance.accept import Acceptance
from evenstring.workshop.acceptance.limits import limits_named, ready_names
from evenstring.workshop.acceptance.table import acceptance_json, terminal_lines
from evenstring.workshop.held import hold
from evenstring.workshop.job import Job, job_toml
from evenstring.workshop.procedure import Guide, guide

__all__ = ["Onlooker", "command"]

_REST = 5.0  # a look takes its own time at most once in so many times that: our choice

_Seen = tuple[Guide, Acceptance]


class Onlooker:
    """Looks at the recording now and then, in a thread of its own, and says what changed.

    Args:
        look: gives what was seen so far.
        tell: takes a line.
        every_s: least time between two looks.
        clock_s: monotonic time.
    """

    def __init__(
        self,
        look: Callable[[], _Seen],
        tell: Callable[[str], None],
        every_s: float,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._look, self._tell, self._every_s, self._clock_s = look, tell, every_s, clock_s
        self._pool = ThreadPoolExecutor(1)
        self._due_s = self._began_s = clock_s()
        self._running: Future[_Seen] | None = None
        self._said: dict[str, str] = {}
        self._step: str | None = ""
        self._progress = ""
        self._noted = False
        self.enough = False

    def tick(self, _status: Status | None = None) -> None:
        """To be called often: takes the last look when it is ready, and begins the next when it is due."""
        now_s = self._clock_s()
        if self._running is not None and self._running.done():
            self._take(self._running)
            self._running = None
            self._due_s = now_s + max(self._every_s, _REST * (now_s - self._began_s))
        if self._running is None and now_s >= self._due_s and not self.enough:
            self._began_s = now_s
            self._running = self._pool.submit(self._look)

    def close(self) -> None:
        """Wait for a look that is under way."""
        self._pool.shutdown(wait=True)

    def _take(self, look: Future[_Seen]) -> None:
        try:
            seen, acceptance = look.result()
        except EvenstringError:  # nothing whole in the recording yet
            return
        self.say_changes(seen, acceptance)

    def say_changes(self, seen: Guide, acceptance: Acceptance) -> None:
        """Say each criterion whose decision is new, and the next step with its caution where it is another."""
        if seen.note and not self._noted:
            self._tell(f"NOTE: {seen.note}")
        self._noted = bool(seen.note)
        lines = terminal_lines(acceptance_json(acceptance))[1:]
        for decided, line in zip(acceptance.decided, lines, strict=True):
            key = f"{decided.criterion.of} {decided.criterion.load_a}"
            if self._said.get(key, "not_measured") != decided.decision:
                self._tell(f"seen{line[3:]}")
            self._said[key] = decided.decision
        step = None if seen.step is None else seen.step.key
        if step != self._step and seen.step is not None:
            self._tell(f"NEXT: {seen.step.ask}")
            self._tell(f"      CAUTION. {seen.step.caution}")
        if seen.progress != self._progress:
            self._tell(f"      {seen.progress}")
        self._step, self._progress = step, seen.progress
        self.enough = seen.step is None


@click.command("bench", epilog="Example: evenstring bench /dev/ttyACM0 --pack pack.toml --job job.toml -o bench.frames")
@click.argument("port")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--pack", required=True, type=click.Path(path_type=Path), help="Pack profile.")
@job_option
@click.option("--accept", "accept_name", default="in_service", show_default=True, metavar="NAME|FILE",
              help=f"Limits to be decided: {', '.join(ready_names())}, or a TOML file.")  # fmt: skip
@click.option("--append", is_flag=True, help="Go on with a session that was left.")
@click.option("--seconds", type=click.FloatRange(min=0), help="End after this time even if not enough was seen.")
@click.option("--look-s", default=30.0, show_default=True, type=click.FloatRange(0.2, 3600.0),
              help="Time between two looks at what was seen.")  # fmt: skip
def command(
    port: str,
    output: Path,
    pack: Path,
    job: Job | None,
    accept_name: str,
    append: bool,
    seconds: float | None,
    look_s: float,
) -> None:
    """Record the monitor on PORT and say what to do next, until every limit that can be decided is.

    You switch load and charger; the tool sees it, asks for a step while it can still decide something, and ends by
    itself. It switches nothing and stops nothing: the pack's protection board does. A session that was left goes on
    with --append.
    """
    profile = load_profile(pack)
    limits_named(accept_name, profile)  # a mistake in it is told before anything is recorded
    say(BENCH)

    def look() -> _Seen:
        session = load_session([output])
        if not session.scans:
            raise InputError(f"{output}: the board sent no scan, so nothing was seen; the recording is kept")
        material = gather_material(session, profile_of(session, profile))
        acceptance = hold(material, job, accept_name).acceptance
        assert acceptance is not None  # noqa: S101  # limits were named
        return guide(material, acceptance), acceptance

    onlooker = Onlooker(look, lambda line: say(plain(line, 500)), look_s)
    options = CaptureOptions(seconds=seconds, profile=profile, job_toml=job_toml(job) if job else None)
    writer = RecordingWriter(output, append)
    try:
        with ended_by_signals() as asked, writer:
            capture(port, writer, options, onlooker.tick, lambda: asked() or onlooker.enough)
    finally:
        onlooker.close()
    refuse_silence(port, writer, append)
    seen, acceptance = look()
    say("")
    for line in terminal_lines(acceptance_json(acceptance)):
        say(plain(line, 500))
    if seen.step is not None:
        say(f"Left before enough was seen. To go on: the same with --append. NEXT: {plain(seen.step.ask)}")
    say(f"The recording: {plain(output)}\nNow: evenstring report {plain(output)} --accept {plain(accept_name)} --paper")
