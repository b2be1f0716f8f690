"""Options of a load and a supply that a session on the bench switches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any

import click

from evenstring.commands.bench.switching import Answers, Switching, hand_at, typed_line
from evenstring.errors import UsageError
from evenstring.profile import PackProfile
from evenstring.workshop.instrument.dialect import Dialect, dialect_named
from evenstring.workshop.instrument.order import HELD_S, Order, charge_order, discharge_order

__all__ = ["Stated", "switching_options"]

_A = click.FloatRange(0.05, 1000.0)


@dataclass(frozen=True, slots=True)
class Stated:
    """What the command line says of currents and of who switches."""

    current_a: float | None = None
    charge_a: float | None = None
    charge_v: float | None = None
    hold_min: float = HELD_S / 60.0
    load: str | None = None
    load_words: str = "load"
    supply: str | None = None
    supply_words: str = "supply"
    yes: bool = False

    def switching(self, profile: PackProfile, tell: Callable[[str], None]) -> Switching:
        """Instruments that answer and are off; limits are worked out before anything is opened.

        Raises:
            InputError: a value that goes beyond pack or instrument, or words that cannot be used.
            UsageError: a yes to nothing.
            DeviceError: an instrument does not answer, or is not seen to be off.
        """
        if self.yes and not self.load and not self.supply:
            raise UsageError("--yes is said to a load or a supply; give --load or --supply, or leave it out")
        wanted = []
        if self.load:
            words = dialect_named(self.load_words, "load")
            wanted.append((self.load, words, discharge_order(profile, words, self.current_a)))
        if self.supply:
            words = dialect_named(self.supply_words, "supply")
            wanted.append((self.supply, words, self._charge(profile, words)))
        made = Switching((), tell, None if self.yes else Answers(typed_line))
        try:
            for port, words, order in wanted:
                made.hands += (hand_at(port, words, order, tell),)
        except BaseException:
            made.close()
            raise
        return made

    def _charge(self, profile: PackProfile, words: Dialect) -> Order:
        return charge_order(profile, words, self.charge_a, self.charge_v, 60.0 * self.hold_min)


def switching_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command these options; it takes them as one argument `stated`."""

    @click.option("--current-a", type=_A, help="Discharge current: a --load is set to it, the sensor is held to it.")
    @click.option("--charge-a", type=_A, help="Charge current; a --supply takes else that of pack.toml.")
    @click.option("--charge-v", type=click.FloatRange(0.5, 1000.0), help="Of the string; at most, and else, full.")
    @click.option("--hold-min", default=HELD_S / 60.0, show_default=True, type=click.FloatRange(0.0, 2880.0),
                  help="Minutes that a --supply stays on after the done light, for balancing.")  # fmt: skip
    @click.option("--load", metavar="URL", help="Electronic load by SCPI, such as socket://host:5025 or /dev/ttyUSB1.")
    @click.option("--load-words", default="load", show_default=True, metavar="NAME|FILE", help="Its commands.")
    @click.option("--supply", metavar="URL", help="Bench supply by SCPI.")
    @click.option("--supply-words", default="supply", show_default=True, metavar="NAME|FILE", help="Its commands.")
    @click.option("--yes", is_flag=True, help="For scripts: switch on without asking, within the stated limits.")
    @wraps(command)
    def wrapped(*args: Any, **given: Any) -> Any:
        own = {name: given.pop(name) for name in Stated.__dataclass_fields__}
        return command(*args, stated=Stated(**own), **given)

    return wrapped
