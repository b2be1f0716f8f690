"""Holds an output on while everything is as it should be, in a thread of its own, and takes it off else.

Whoever asked for it may hang or die: the thread goes by the monitor's scans, which then stop. What no program can do is
to switch off when its computer is gone; the page says so (host/BENCH.md).
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from evenstring.errors import EvenstringError
from evenstring.wire.stream import Batch
from evenstring.workshop.instrument.driver import Instrument
from evenstring.workshop.instrument.intake import alarms_after, scans_in
from evenstring.workshop.instrument.interlock import Reading, Seen, Stop, refusal, stop
from evenstring.workshop.instrument.order import Order

__all__ = ["NOT_OFF", "Keeper", "Kept"]

_TURN_S = 0.2  # between two looks: our choice
_CLOSE_S = 30.0  # longest wait for the output to be off at the end: above all tries of all waits; our choice
_WRONG = "OFF, something is wrong"
NOT_OFF = "OFF WAS ASKED FOR AND IS NOT CONFIRMED: switch the instrument off at its own switch, now."


@dataclass(frozen=True, slots=True)
class Kept:
    """How it stands."""

    on: bool = False
    stopped: Stop | None = None  # why it went off, or was not switched on; None: as it was asked for
    refused: bool = False  # it was not switched on at all
    reading: Reading | None = None
    off_unsure: bool = False  # off was asked for, and the instrument did not confirm it


class Keeper:
    """One instrument and what it is to do.

    Args:
        instrument: used by the thread only.
        order: what is set, and within which limits.
        clock_s: monotonic time.
    """

    def __init__(self, instrument: Instrument, order: Order, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.order = order
        self._instrument, self._clock_s = instrument, clock_s
        self._lock = threading.Lock()
        self._seen, self._kept = Seen(), Kept()
        self._wanted = False
        self._lines: deque[str] = deque()
        self._wake, self._closing = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True, name="keeper")
        self._thread.start()

    @property
    def kept(self) -> Kept:
        """How it stands now."""
        with self._lock:
            return self._kept

    @property
    def blind_to(self) -> tuple[str, ...]:
        """What nothing here would notice, since the monitor does not measure it."""
        with self._lock:
            scan = self._seen.scan
        if scan is None:
            return ()
        lacks = [("temperature: a pack that gets hot is for you to notice", not scan.temps_c),
                 ("current: only the instrument's own figure is looked at", scan.current_a is None)]  # fmt: skip
        return tuple(f"The monitor measures no {words}." for words, missing in lacks if missing)

    def take(self, batch: Batch) -> None:
        """What the monitor sent; called by whoever records."""
        scans = scans_in(batch)
        with self._lock:
            now_s, seen = self._clock_s(), self._seen
            for scan in scans:
                seen = seen.with_scan(scan, self.order, now_s)
            self._seen = seen.with_alarms(alarms_after(seen.alarms, batch))

    def switch(self, on: bool) -> None:
        """Ask for on or off; the thread sees to it. On counts once: after a stop it is to be asked for anew."""
        with self._lock:
            self._wanted = on
            if on:
                self._kept = Kept(on=self._kept.on)
        self._wake.set()

    def lines(self) -> list[str]:
        """What there is to say since the last call."""
        return [self._lines.popleft() for _ in range(len(self._lines))]

    def close(self) -> None:
        """Output off, and the thread ended."""
        self._closing.set()
        self._wake.set()
        self._thread.join(_CLOSE_S)
        if self._thread.is_alive():
            self._lines.append(NOT_OFF)

    def _run(self) -> None:
        try:
            while not self._closing.is_set():
                self._turn()
                self._wake.wait(_TURN_S)
                self._wake.clear()
        finally:  # whatever happened
            if self.kept.on or self.kept.off_unsure:
                self._off(Stop("the command ended", fault=False))
            self._instrument.close()

    def _turn(self) -> None:
        with self._lock:
            wanted, on = self._wanted, self._kept.on
        try:
            if wanted and not on:
                self._begin()
            elif on:
                self._look(wanted)
        except EvenstringError as error:
            began = self.kept.on
            confirmed = self._instrument.off()
            words = _WRONG if began else "not switched on"
            self._stopped(Stop(str(error), fault=True), words, unsure=not confirmed, refused=not began)

    def _begin(self) -> None:
        at_rest = self._instrument.prepare(self.order)
        with self._lock:
            now_s = self._clock_s()
            why = refusal(self._seen, at_rest, self.order, now_s)
            begins = why is None and self._wanted and not self._closing.is_set()
            if begins:  # from here on it counts as on, whatever the answer is
                self._seen, self._kept = self._seen.switched(now_s), Kept(on=True)
        if why is not None:
            self._stopped(why, "not switched on", refused=True)
        elif begins:
            self._instrument.on()
            self._lines.append(f"ON: {self._instrument.identity.words if self._instrument.identity else ''}")

    def _look(self, wanted: bool) -> None:
        reading = self._instrument.read()
        with self._lock:
            now_s = self._clock_s()
            self._seen = self._seen.with_reading(reading, self.order, now_s)
            self._kept = Kept(on=True, reading=reading)
            why = stop(self._seen, self.order, now_s)
        if why is not None:
            self._off(why)
        elif not wanted:
            self._off(None)

    def _off(self, why: Stop | None) -> None:
        confirmed = self._instrument.off()
        self._stopped(why, _WRONG if why is not None and why.fault else "OFF", unsure=not confirmed)

    def _stopped(self, why: Stop | None, words: str, *, unsure: bool = False, refused: bool = False) -> None:
        with self._lock:
            self._wanted = False
            self._seen = self._seen.switched(None)
            self._kept = Kept(stopped=why, refused=refused, off_unsure=unsure)
        self._lines.append(words if why is None else f"{words}: {why.why}")
        if unsure:
            self._lines.append(NOT_OFF)
