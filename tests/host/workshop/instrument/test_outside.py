"""Held to PyVISA-sim (MIT): an instrument that others simulated, with words and number forms of its own.

Its second device is a supply with other words than ours (`:VOLT:IMM:AMPL`, errors by the bits of `*ESR?`, NR3 numbers).
So a dialect is written as a builder would, and the driver sets, asks back, switches and is refused.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
import pyvisa
from evenstring.errors import DeviceError
from evenstring.profile import parse_profile
from evenstring.workshop.instrument.dialect import dialect_named, parse_dialect
from evenstring.workshop.instrument.driver import Instrument
from evenstring.workshop.instrument.line import Line
from evenstring.workshop.instrument.order import Order, charge_order

WORDS = """
[instrument]
kind = "supply"
name = "the supply of PyVISA-sim"
[commands]
identify = "*IDN?"
set_v = ":VOLT:IMM:AMPL {}"
get_v = ":VOLT:IMM:AMPL?"
set_a = ":CURR:IMM:AMPL {}"
get_a = ":CURR:IMM:AMPL?"
on = "OUTP 1"
off = "OUTP 0"
state = "OUTP?"
measure_v = ":VOLT:IMM:AMPL?"   # it measures nothing: what is set is what is read
measure_a = ":CURR:IMM:AMPL?"
error = "*ESR?"
"""
ONE_GROUP = parse_profile('[pack]\ngroups = 1\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
ORDER = charge_order(ONE_GROUP, dialect_named("supply", "supply"), 2.5)  # 4.2 V: that supply gives 1 to 6 V and A


class Bridge:
    """A socket in front of a resource of PyVISA-sim; it adds nothing and takes nothing."""

    def __init__(self) -> None:
        self._manager = pyvisa.ResourceManager("@sim")
        self.resource: Any = self._manager.open_resource(
            "GPIB0::9::INSTR", read_termination="\n", write_termination="\n"
        )
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                peer, _ = self._server.accept()
                with peer, peer.makefile("rwb") as line:
                    for message in line:
                        self._one(message.decode().strip(), line)

    def _one(self, command: str, line: Any) -> None:
        self.resource.write(command)
        if command.endswith("?"):
            line.write(self.resource.read().encode() + b"\n")
            line.flush()

    def close(self) -> None:
        self._server.close()
        self._manager.close()


@pytest.fixture
def bridge() -> Iterator[Bridge]:
    made = Bridge()
    yield made
    made.close()


def driven(bridge: Bridge) -> Instrument:
    return Instrument(lambda: Line(bridge.url, 9600, 1.0), parse_dialect(WORDS, "words.toml"))


def test_it_is_set_asked_back_switched_on_and_off(bridge: Bridge) -> None:
    supply = driven(bridge)
    at_rest = supply.prepare(ORDER)

    assert supply.identify().maker == "SCPI"
    assert (at_rest.volts_v, at_rest.current_a) == (pytest.approx(4.2), pytest.approx(2.5))
    assert bridge.resource.query(":VOLT:IMM:AMPL?") == "+4.20000000E+00"
    supply.on()
    assert bridge.resource.query("OUTP?") == "1"
    assert supply.off()
    assert bridge.resource.query("OUTP?") == "0"


@pytest.mark.parametrize("beyond", [{"voltage_v": 12.0}, {"current_a": 7.0}])
def test_what_it_cannot_do_is_told_before_it_is_on(bridge: Bridge, beyond: dict[str, float]) -> None:
    order: Order = replace(ORDER, **beyond)
    with pytest.raises(DeviceError, match="refuses what was set: event status"):
        driven(bridge).prepare(order)
    assert bridge.resource.query("OUTP?") == "0"


def test_words_that_it_does_not_know_are_told(bridge: Bridge) -> None:
    words = replace(parse_dialect(WORDS, "words.toml"), begin=("SYST:REM",))
    with pytest.raises(DeviceError, match="refuses what was set"):
        Instrument(lambda: Line(bridge.url, 9600, 1.0), words).prepare(ORDER)
