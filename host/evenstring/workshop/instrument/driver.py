"""An instrument asked and told by its dialect. It is off before anything is set, and off is asked back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from evenstring.errors import DeviceError
from evenstring.workshop.instrument.dialect import Dialect
from evenstring.workshop.instrument.interlock import Reading
from evenstring.workshop.instrument.order import Order
from evenstring.workshop.instrument.scpi import Identity, error_in, filled, identity_in, number_in, switch_in

__all__ = ["Asking", "Instrument"]

_TRIES = 3  # to switch off, each on a line made anew where the one before was lost: our choice
_STALE = 5  # answers that may still be on their way from before: our choice
_BACK_PART, _BACK = 0.01, 0.05  # of what was set, and V or A: an instrument's own steps; our choice
_PROTECT = 1.1  # its own protection is set so much above what is set: our choice


class Asking(Protocol):
    """What a line does: see `evenstring.workshop.instrument.line.Line`."""

    def tell(self, command: str) -> None:
        """Send a command."""

    def ask(self, question: str) -> str:
        """Send a question; its answer."""

    def answer(self, question: str) -> str:
        """The next answer."""

    def drain(self) -> None:
        """Throw away what came unasked."""

    def close(self) -> None:
        """Close the line."""


class Instrument:
    """One instrument. One thread uses it.

    Args:
        connect: makes a line; called again where one was lost.
        dialect: its words.

    Attributes:
        identity: who answered; None before.
    """

    def __init__(self, connect: Callable[[], Asking], dialect: Dialect) -> None:
        self.dialect = dialect
        self.identity: Identity | None = None
        self._connect = connect
        self._line: Asking | None = None

    def identify(self) -> Identity:
        """Who is there.

        Raises:
            DeviceError: nobody, or no instrument that keeps to IEEE 488.2.
        """
        self._linked().drain()
        self.identity = identity_in(self._ask(self.dialect.identify))
        return self.identity

    def is_on(self) -> bool:
        """Whether it is on now.

        Raises:
            DeviceError: it does not answer, or is no instrument.
        """
        self.identify()
        return switch_in(self._ask(self.dialect.state))

    def prepare(self, order: Order) -> Reading:
        """Output off, then everything set and asked back; gives what it measures with the output off.

        Raises:
            DeviceError: it does not answer, refuses a value, or took another one than was set.
        """
        self.identify()
        if not self.off():
            raise DeviceError("the output could not be seen to be off")
        words = self.dialect
        for command in filter(None, (words.clear, *words.begin)):
            self._linked().tell(command)
        if order.voltage_v is not None:
            self._set(words.set_v, words.protect_v, order.voltage_v)
        self._set(words.set_a, words.protect_a, order.current_a)
        if error := error_in(self._ask(words.error)):
            raise DeviceError(f"the instrument refuses what was set: {error}")
        if order.voltage_v is not None:
            self._asked_back(words.get_v, order.voltage_v, "V")
        self._asked_back(words.get_a, order.current_a, "A")
        return self.read()

    def on(self) -> None:
        """Output on.

        Raises:
            DeviceError: it does not answer, or stayed off.
        """
        self._linked().tell(self.dialect.on)
        if error := error_in(self._ask(self.dialect.error)):
            raise DeviceError(f"the instrument does not switch on: {error}")
        if not switch_in(self._ask(self.dialect.state)):
            raise DeviceError("the instrument says that it is still off")

    def read(self) -> Reading:
        """What it measures.

        Raises:
            DeviceError: it does not answer, or with no number.
        """
        return Reading(number_in(self._ask(self.dialect.measure_v)), number_in(self._ask(self.dialect.measure_a)))

    def off(self) -> bool:
        """Output off, whatever else is wrong; whether the instrument then said that it is off."""
        for _ in range(_TRIES):
            try:
                self._linked().tell(self.dialect.off)
                self._in_step()
                if not switch_in(self._ask(self.dialect.state)):
                    return True
            except DeviceError:
                self._unlink()
        return False

    def close(self) -> None:
        """Close the line; switches nothing."""
        self._unlink()

    def _in_step(self) -> None:
        """Throw away late answers, so that the next one is the answer to what is asked next."""
        self._linked().drain()
        if self.identity is None:
            return
        answer = self._ask(self.dialect.identify)
        for _ in range(_STALE):
            try:
                if identity_in(answer) == self.identity:
                    return
            except DeviceError:
                pass  # a late answer to something else
            answer = self._linked().answer(self.dialect.identify)
        raise DeviceError("the instrument answers out of step")

    def _set(self, command: str, protection: str, value: float) -> None:
        if protection:
            self._linked().tell(filled(protection, _PROTECT * value))
        self._linked().tell(filled(command, value))

    def _asked_back(self, question: str, value: float, unit: str) -> None:
        took = number_in(self._ask(question))
        if abs(took - value) > _BACK_PART * value + _BACK:
            raise DeviceError(f"{value:.3f} {unit} was set, and the instrument took {took:.3f} {unit}")

    def _ask(self, question: str) -> str:
        return self._linked().ask(question)

    def _linked(self) -> Asking:
        if self._line is None:
            self._line = self._connect()
            if self.dialect.remote:
                self._line.tell(self.dialect.remote)
        return self._line

    def _unlink(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None
