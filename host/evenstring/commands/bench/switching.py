"""Load and supply switched for the steps of a session, each time after a yes."""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from os import read

from evenstring.errors import DeviceError
from evenstring.wire.stream import Batch
from evenstring.workshop.instrument.dialect import Dialect
from evenstring.workshop.instrument.driver import Instrument
from evenstring.workshop.instrument.keeper import NOT_OFF, Keeper
from evenstring.workshop.instrument.line import Line
from evenstring.workshop.instrument.order import Order, order_lines

__all__ = ["Answers", "Hand", "Switching", "hand_at", "typed_line"]

_YES = "yes"
_TELL_S = 60.0  # between two lines about what flows: our choice


@dataclass(slots=True)
class Hand:
    """One instrument, for one step. `state`: free, asking, at work, by hand (a person switches)."""

    step: str  # key of the step that it is for
    dialect: Dialect
    keeper: Keeper
    state: str = "free"

    @property
    def order(self) -> Order:
        """What it is to do."""
        return self.keeper.order


def hand_at(port: str, dialect: Dialect, order: Order, tell: Callable[[str], None]) -> Hand:
    """An instrument that answers and is off; what it was before is told.

    Raises:
        DeviceError: it does not answer, or cannot be seen to be off.
    """
    instrument = Instrument(lambda: Line(port, dialect.baud, dialect.answer_s), dialect)
    try:
        was_on = instrument.is_on()
        if not instrument.off():
            raise DeviceError(f"{port}: {NOT_OFF}")
    except DeviceError:
        instrument.close()
        raise
    words = "" if instrument.identity is None else instrument.identity.words
    tell(f"{dialect.what}: {words}, off{'. It was ON, and has been switched off' if was_on else ''}")
    return Hand("charge" if order.kind == "supply" else "discharge", dialect, Keeper(instrument, order))


class Answers:
    """Lines that a person types, read beside what goes on. `read_line` gives a line, or "" when nobody is there."""

    def __init__(self, read_line: Callable[[], str]) -> None:
        self._read_line = read_line
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._ended = False

    def ask(self) -> None:
        """Forget what was typed before the question."""
        while not self._lines.empty():
            self._lines.get()
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, daemon=True, name="answers")
            self._thread.start()

    def answer(self) -> str | None:
        """What was typed since; None: nothing yet. "" when nobody is there."""
        if self._lines.empty():
            return "" if self._ended else None
        return self._lines.get().strip()

    def _run(self) -> None:
        while line := self._read_line():
            self._lines.put(line)
        self._ended = True


def typed_line() -> str:
    """A line from whoever started the command.

    Read below Python's own buffer: at the end of the program nothing waits for a thread that stands in it.
    """
    try:
        return read(sys.stdin.fileno(), 1024).decode("utf-8", "replace")
    except (OSError, ValueError):
        return sys.stdin.readline()


@dataclass(slots=True)
class Switching:
    """What is switched, when, and after which answer.

    Attributes:
        over: keys of steps that came to their own end.
        fault: why an output went off, where something was wrong; nothing is switched on after it.
    """

    hands: tuple[Hand, ...]
    tell: Callable[[str], None]
    answers: Answers | None  # None: yes was said beforehand
    over: set[str] = field(default_factory=set)
    fault: str = ""
    unsure: bool = False
    clock_s: Callable[[], float] = time.monotonic
    told_s: float = 0.0

    def take(self, batch: Batch) -> None:
        """What the monitor sent."""
        for hand in self.hands:
            hand.keeper.take(batch)

    def tick(self, step: str) -> bool:
        """To be called often, with the step that is asked for; whether a step just came to its own end."""
        ended = [self._watch(hand, step) for hand in self.hands]
        if self.unsure:  # nothing is switched on beside what may still be on
            self.fault = self.fault or NOT_OFF
        hand = next((h for h in self.hands if h.step == step), None)
        if hand is not None and not any(h.keeper.kept.on for h in self.hands):
            self._offer(hand)
        return any(ended)

    def release(self) -> None:
        """Everything off, without waiting for it."""
        for hand in self.hands:
            hand.keeper.switch(on=False)

    def close(self) -> None:
        """Everything off, and seen to be."""
        self.release()
        for hand in self.hands:
            hand.keeper.close()
            self._say(hand)

    def _watch(self, hand: Hand, step: str) -> bool:
        """Say what happened, switch off what is for another step; whether its step came to an end."""
        self._say(hand)
        if hand.state == "asking" and hand.step != step:
            hand.state = "free"
        if hand.state != "at work":
            return False
        self._tell_reading(hand)
        if hand.step != step:
            hand.keeper.switch(on=False)
            hand.state = "free"
        stopped = hand.keeper.kept.stopped
        if stopped is None:
            return False
        hand.state = "by hand"
        if stopped.fault and hand.keeper.kept.refused and self.answers is not None:
            hand.state = "free"  # nothing was on: whoever is there may mend it, and is asked again
            return False
        if stopped.fault:
            self.fault = f"{hand.dialect.what} off: {stopped.why}"
            return False
        self.over.add(hand.step)
        return True

    def _offer(self, hand: Hand) -> None:
        if self.fault or hand.step in self.over:
            return
        if hand.state == "free":
            for line in (*order_lines(hand.order, hand.dialect), *hand.keeper.blind_to):
                self.tell(f"      {line}")
            hand.state = "asking"
            if self.answers is not None:
                self.tell(f"      Switch it on? Type {_YES}; anything else, and you switch by hand:")
                self.answers.ask()
        if hand.state == "asking":
            self._hear(hand, _YES if self.answers is None else self.answers.answer())

    def _hear(self, hand: Hand, answer: str | None) -> None:
        if answer is None:
            return
        if answer.lower() == _YES:
            hand.state = "at work"
            hand.keeper.switch(on=True)
        else:
            hand.state = "by hand"
            self.tell("      not switched on; you switch")

    def _tell_reading(self, hand: Hand) -> None:
        """What flows, once a minute."""
        reading, now_s = hand.keeper.kept.reading, self.clock_s()
        if reading is None or now_s - self.told_s < _TELL_S:
            return
        self.told_s = now_s
        self.tell(f"      {hand.dialect.what}: {abs(reading.current_a):.2f} A at {reading.volts_v:.2f} V")

    def _say(self, hand: Hand) -> None:
        for line in hand.keeper.lines():
            self.unsure = self.unsure or line == NOT_OFF
            self.tell(f"{hand.dialect.what} {line}" if line != NOT_OFF else f"!!!   {line}")
