"""Looks at a recording that is being made, now and then, and says what changed."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from evenstring.errors import EvenstringError
from evenstring.io.capture import Status
from evenstring.workshop.acceptance.accept import Acceptance
from evenstring.workshop.acceptance.table import acceptance_json, terminal_lines
from evenstring.workshop.procedure import Guide

__all__ = ["Look", "Onlooker"]

_REST = 5.0  # a look takes its own time at most once in so many times that: our choice


@dataclass(frozen=True, slots=True)
class Look:
    """What one look saw. `notes`: each is said once, by what stands before its colon."""

    guide: Guide
    acceptance: Acceptance
    notes: tuple[str, ...] = ()


class Onlooker:
    """Looks at the recording now and then, in a thread of its own, and says what changed.

    Args:
        look: gives what was seen so far.
        tell: takes a line.
        every_s: least time between two looks.
        clock_s: monotonic time.

    Attributes:
        step: key of the step that is asked for; empty before the first look, and where enough was seen.
        enough: whether enough was seen.
    """

    def __init__(
        self,
        look: Callable[[], Look],
        tell: Callable[[str], None],
        every_s: float,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._look, self._tell, self._every_s, self._clock_s = look, tell, every_s, clock_s
        self._pool = ThreadPoolExecutor(1)
        self._due_s = self._began_s = clock_s()
        self._running: Future[Look] | None = None
        self._said: dict[str, str] = {}
        self._noted: set[str] = set()
        self._progress = ""
        self.step = ""
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

    def hurry(self) -> None:
        """The next look is due now: something ended that it is to see."""
        self._due_s = self._clock_s()

    def close(self) -> None:
        """Wait for a look that is under way."""
        self._pool.shutdown(wait=True)

    def _take(self, look: Future[Look]) -> None:
        try:
            seen = look.result()
        except EvenstringError:  # nothing whole in the recording yet
            return
        self.say_changes(seen)

    def say_changes(self, seen: Look) -> None:
        """Say each criterion whose decision is new, and the next step with its caution where it is another."""
        lines = terminal_lines(acceptance_json(seen.acceptance))[1:]
        for decided, line in zip(seen.acceptance.decided, lines, strict=True):
            key = f"{decided.criterion.of} {decided.criterion.load_a}"
            if self._said.get(key, "not_measured") != decided.decision:
                self._tell(f"seen{line[3:]}")
            self._said[key] = decided.decision
        notes = (*seen.notes, f"NOTE: {seen.guide.note}") if seen.guide.note else seen.notes
        for note in notes:
            about = note.split(":")[0]  # its figures may change from look to look
            if about not in self._noted:
                self._noted.add(about)
                self._tell(note)
        step = seen.guide.step
        if step is not None and step.key != self.step:
            self._tell(f"NEXT: {step.ask}")
            self._tell(f"      CAUTION. {step.caution}")
        if seen.guide.progress != self._progress:
            self._tell(f"      {seen.guide.progress}")
        self.step, self._progress = "" if step is None else step.key, seen.guide.progress
        self.enough = step is None
