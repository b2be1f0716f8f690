"""The thread that holds an output on: on only when asked and allowed, off whatever happens; unsure, it says so."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from evenstring.profile import parse_profile
from evenstring.wire.encode import message
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.table import load_table
from evenstring.workshop.instrument import line
from evenstring.workshop.instrument.dialect import dialect_named
from evenstring.workshop.instrument.driver import Instrument
from evenstring.workshop.instrument.keeper import NOT_OFF, Keeper
from evenstring.workshop.instrument.line import Line
from evenstring.workshop.instrument.order import charge_order

from tests.host.fake_board import until
from tests.host.streams import recording
from tests.host.workshop.instrument.simulated import SimulatedInstrument

pytestmark = pytest.mark.slow  # threads and a socket
PACK = parse_profile('[pack]\ngroups = 4\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
SUPPLY = replace(dialect_named("supply", "supply"), answer_s=0.4)
ORDER = charge_order(PACK, SUPPLY, 5.0)


class Bench:
    """A supply, its keeper, and a monitor whose scans and clock the test moves."""

    def __init__(self) -> None:
        self.there, self.now_s = SimulatedInstrument(pack_v=14.8), 0.0
        self.keeper = Keeper(Instrument(lambda: Line(self.there.url, 9600, 0.4), SUPPLY), ORDER, lambda: self.now_s)
        self.decoder = StreamDecoder()
        self.said: list[str] = []

    def scan(self, volts: float = 3.7, current_a: float | None = None, temp_c: float = 25.0) -> None:
        steps = np.full((2, 8), round(volts / 200e-6), np.int16)
        amps = np.full((2, 1), -32768 if current_a is None else round(current_a * 100), np.int16)
        temps = np.full((2, 1), round(temp_c * 100), np.int16)
        data = recording(2, 4, reading=steps, current_10ma=amps, temp_cdegc=temps)
        self.keeper.take(self.decoder.feed(data))

    def bare_scan(self) -> None:
        """Of a monitor without sensors of current and temperature."""
        none = np.zeros((2, 0), np.int16)
        self.keeper.take(self.decoder.feed(recording(2, 4, current_10ma=none, temp_cdegc=none)))

    def alarm(self, kind: str, change: str = "raised", active: bool = True) -> None:
        number, changes = load_table().enums["alarm"][kind], load_table().enums["alarm_change"]
        bits = int(active) << number
        values = {"alarm": number, "change": changes[change], "place": 2, "value": 0, "extreme": 0, "latched": bits}
        self.keeper.take(self.decoder.feed(message("ALARM", 0, 100, **values, active=bits)))

    def heard(self, words: str) -> Callable[[], bool]:
        def told() -> bool:
            self.said += self.keeper.lines()
            return any(words in line for line in self.said)

        return told

    def switch_on(self) -> None:
        self.scan()
        self.keeper.switch(on=True)
        until(self.heard("ON: Invented Works"))


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.keeper.close()
    made.there.close()


def test_nothing_is_on_before_it_is_asked_for_and_off_when_it_is_asked_for(bench: Bench) -> None:
    bench.scan()
    assert not bench.there.on
    bench.switch_on()
    assert bench.there.on
    bench.keeper.switch(on=False)
    until(lambda: not bench.there.on)
    until(lambda: not bench.keeper.kept.on)
    assert bench.keeper.kept.stopped is None


def test_it_is_not_switched_on_without_scans(bench: Bench) -> None:
    bench.keeper.switch(on=True)
    until(bench.heard("not switched on: the monitor sends no scans"))
    assert not any("ON" in command for command in bench.there.heard)


def test_what_the_monitor_cannot_see_is_told(bench: Bench) -> None:
    assert bench.keeper.blind_to == ()
    bench.bare_scan()
    assert [line.split(":")[0] for line in bench.keeper.blind_to] == [
        "The monitor measures no temperature", "The monitor measures no current"]  # fmt: skip
    bench.scan(current_a=0.0)
    assert bench.keeper.blind_to == ()


@pytest.mark.parametrize(("what", "why"), [
    (lambda b: b.scan(4.26), "its ceiling"),
    (lambda b: b.scan(temp_c=46.0), "46.0 °C"),
    (lambda b: b.alarm("hot"), "the board warns: group 2 hot"),
    (lambda b: setattr(b.there, "deaf", True), "no answer"),
    (lambda b: setattr(b.there, "garbage", "??"), "a number was to come"),
    (lambda b: b.there.hang_up(), ""),
    (lambda b: setattr(b.there, "real_a", 9.0), "9.00 A, and 5.00 A was set"),
    (lambda b: setattr(b, "now_s", 5.5), "silent"),
])  # fmt: skip
def test_it_goes_off_whatever_happens(bench: Bench, what: Callable[[Bench], None], why: str) -> None:
    bench.switch_on()
    what(bench)
    until(lambda: not bench.there.on)
    until(bench.heard(f"OFF{', something is wrong' if 'ceiling' not in why else ''}: "))
    stopped = bench.keeper.kept.stopped
    assert stopped is not None
    assert why in stopped.why
    assert stopped.fault is ("ceiling" not in why)


def test_what_is_said_when_off_is_not_confirmed_cannot_be_overlooked(bench: Bench) -> None:
    bench.switch_on()
    bench.there.stuck_on = True
    bench.keeper.switch(on=False)
    until(bench.heard(NOT_OFF))
    assert bench.keeper.kept.off_unsure
    assert "now" in NOT_OFF


def test_closing_switches_off(bench: Bench) -> None:
    bench.switch_on()
    bench.keeper.close()
    assert not bench.there.on


def test_a_pack_that_was_ever_below_discard_is_not_charged(bench: Bench) -> None:
    bench.scan()
    bench.alarm("below_discard", "latched", active=False)
    bench.keeper.switch(on=True)
    until(bench.heard("not switched on: the board warns: group 2 below discard"))
    assert "OUTP ON" not in bench.there.heard


def test_what_went_off_stays_off_until_it_is_asked_for_again(bench: Bench) -> None:
    bench.switch_on()
    bench.alarm("hot")
    until(lambda: not bench.there.on)
    bench.alarm("hot", "cleared", active=False)
    until(bench.heard("OFF, something is wrong"))
    times = bench.there.heard.count("OUTP ON")
    bench.scan()
    assert bench.there.heard.count("OUTP ON") == times == 1
    bench.switch_on()


@pytest.mark.parametrize("seed", range(6))
def test_whatever_the_instrument_does_it_ends_off_or_that_is_said(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Slow, silent, babbling, hanging up, stuck, in any order: it is never on at the end without a word about it."""
    monkeypatch.setattr(line, "_DRAIN_S", 0.03)
    rng = np.random.default_rng(seed)
    there = SimulatedInstrument(pack_v=14.8)
    keeper = Keeper(Instrument(lambda: Line(there.url, 9600, 0.1), replace(SUPPLY, answer_s=0.1)), ORDER)
    decoder, said = StreamDecoder(), []
    steps = np.full((2, 8), round(3.7 / 200e-6), np.int16)
    scans = recording(2, 4, reading=steps, temp_cdegc=np.full((2, 1), 2500, np.int16),
                      current_10ma=np.full((2, 1), -32768, np.int16))  # fmt: skip
    for _ in range(6):
        keeper.take(decoder.feed(scans))
        keeper.switch(on=True)
        until(lambda: keeper.kept.on or keeper.kept.stopped is not None or keeper.kept.off_unsure)
        there.slow_s = float(rng.choice([0.0, 0.0, 0.05, 0.2]))
        there.garbage = str(rng.choice(["", "", "", "0", "nonsense", "1e3"]))
        there.deaf, there.stuck_on = bool(rng.random() < 0.2), bool(rng.random() < 0.1)
        if rng.random() < 0.2:
            there.hang_up()
        said += keeper.lines()
    keeper.close()
    said += keeper.lines()

    assert not there.on or said[-1] == NOT_OFF
    there.close()
