"""An instrument on a socket that answers, refuses, dawdles, babbles, goes away: off is off, and asked back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from evenstring.errors import DeviceError
from evenstring.profile import parse_profile
from evenstring.workshop.instrument.dialect import dialect_named
from evenstring.workshop.instrument.driver import Instrument
from evenstring.workshop.instrument.interlock import Reading
from evenstring.workshop.instrument.line import Line
from evenstring.workshop.instrument.order import charge_order, discharge_order

from tests.host.workshop.instrument.simulated import SimulatedInstrument

PACK = parse_profile('[pack]\ngroups = 4\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
SUPPLY = replace(dialect_named("supply", "supply"), answer_s=0.4)
LOAD = replace(dialect_named("load", "load"), answer_s=0.4)
CHARGE, TAKE = charge_order(PACK, SUPPLY, 5.0), discharge_order(PACK, LOAD, 8.0)


@pytest.fixture
def there() -> Iterator[SimulatedInstrument]:
    made = SimulatedInstrument()
    yield made
    made.close()


def driven(there: SimulatedInstrument) -> Instrument:
    words = LOAD if there.load else SUPPLY
    return Instrument(lambda: Line(there.url, 9600, words.answer_s), words)


def test_off_first_then_set_then_asked_back_and_only_then_on(there: SimulatedInstrument) -> None:
    there.on = True  # left on by whoever was here before
    supply = driven(there)
    at_rest = supply.prepare(CHARGE)

    assert (there.on, there.volts, there.amps) == (False, pytest.approx(16.8), pytest.approx(5.0))
    assert at_rest == Reading(0.0, 0.0)
    assert there.heard.index("OUTP OFF") < there.heard.index("SOUR:VOLT 16.800")
    assert "OUTP ON" not in there.heard
    supply.on()
    assert there.on
    assert supply.read().current_a == pytest.approx(5.0)
    assert supply.off()
    assert not there.on


def test_a_load_is_set_in_current_and_reads_the_pack(there: SimulatedInstrument) -> None:
    there.load, there.pack_v = True, 14.8
    load = driven(there)
    assert load.prepare(TAKE).volts_v == pytest.approx(14.8)
    load.on()
    assert load.read().volts_v == pytest.approx(14.4)  # 0.05 ohm at 8 A
    assert load.off()
    assert not any(c.startswith("SOUR:VOLT") for c in there.heard)


def test_a_value_that_is_refused_ends_before_anything_is_on(there: SimulatedInstrument) -> None:
    there.most_v = 12.0
    with pytest.raises(DeviceError, match="refuses what was set: error -222, Data out of range"):
        driven(there).prepare(CHARGE)
    assert "OUTP ON" not in there.heard


def test_a_value_that_was_silently_cut_ends_it_too(there: SimulatedInstrument, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = there._set
    monkeypatch.setattr(there, "_set", lambda n, v: plain(n, "12") if n == "volts" else plain(n, v))
    with pytest.raises(DeviceError, match=r"16\.800 V was set, and the instrument took 12\.000 V"):
        driven(there).prepare(CHARGE)


def test_a_command_that_it_does_not_know_ends_it(there: SimulatedInstrument) -> None:
    words = replace(SUPPLY, begin=("SYST:LOCK:NONE",))
    odd = Instrument(lambda: Line(there.url, 9600, 0.4), words)
    with pytest.raises(DeviceError, match="error -113, Undefined header"):
        odd.prepare(CHARGE)


def test_one_that_cannot_be_seen_to_be_off_is_not_used(there: SimulatedInstrument) -> None:
    there.on = there.stuck_on = True
    supply = driven(there)
    assert not supply.off()
    with pytest.raises(DeviceError, match="could not be seen to be off"):
        supply.prepare(CHARGE)


def test_no_answer_and_babble_are_errors_and_no_values(there: SimulatedInstrument) -> None:
    supply = driven(there)
    supply.prepare(CHARGE)
    there.deaf = True
    with pytest.raises(DeviceError, match=r"no answer to MEAS:VOLT\? within 0\.4 s"):
        supply.read()
    there.deaf, there.garbage = False, "\x7f\x80babble"
    with pytest.raises(DeviceError, match="a number was to come"):
        driven(there).read()
    there.garbage = "9" * 9000
    with pytest.raises(DeviceError, match=r"has no end|a number was to come"):
        driven(there).read()


def test_a_late_answer_is_not_taken_for_the_next_one_and_off_is_confirmed(there: SimulatedInstrument) -> None:
    supply = driven(there)
    supply.prepare(CHARGE)
    supply.on()
    there.slow_s = 0.6  # later than it may be
    with pytest.raises(DeviceError, match="no answer"):
        supply.read()
    there.slow_s = 0.0  # what is still on its way arrives while off is asked back: "0.000" would be no "0"
    assert supply.off()
    assert not there.on


def test_a_line_that_went_away_is_made_anew_to_switch_off(there: SimulatedInstrument) -> None:
    supply = driven(there)
    supply.prepare(CHARGE)
    supply.on()
    there.hang_up()
    with pytest.raises(DeviceError):
        supply.read()
    assert there.on
    assert supply.off()
    assert not there.on


def test_one_that_wants_to_be_told_of_remote_control_is_told_first_on_every_line(there: SimulatedInstrument) -> None:
    words = replace(SUPPLY, remote="*CLS")
    supply = Instrument(lambda: Line(there.url, 9600, 0.4), words)
    supply.identify()
    assert there.heard[0] == "*CLS"
    there.hang_up()
    with pytest.raises(DeviceError):
        supply.read()
    before = len(there.heard)
    assert supply.off()
    assert there.heard[before:][:2] == ["*CLS", "OUTP OFF"]


def test_one_that_is_gone_for_good_is_said_not_to_be_off(there: SimulatedInstrument) -> None:
    supply = driven(there)
    supply.prepare(CHARGE)
    supply.on()
    there.close()
    assert not supply.off()


def test_what_answers_and_is_no_instrument_is_told(there: SimulatedInstrument) -> None:
    there.garbage = "login:"
    with pytest.raises(DeviceError, match="maker, model, serial number"):
        driven(there).identify()


def test_nobody_there_is_told() -> None:
    with pytest.raises(DeviceError, match="cannot open this port"):
        Instrument(lambda: Line("socket://127.0.0.1:1", 9600, 0.2), SUPPLY).identify()
