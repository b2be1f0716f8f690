"""Answers of an instrument: numbers, switches, names and errors, as the standards write them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from evenstring.errors import DeviceError
from evenstring.workshop.instrument.scpi import error_in, filled, identity_in, number_in, switch_in
from hypothesis import example, given
from hypothesis import strategies as st


@pytest.mark.parametrize(("answer", "value"), [
    ("12", 12.0), ("+007", 7.0), ("-5", -5.0),  # NR1, IEEE 488.2 8.7.2 (from memory, as all here)
    ("+3.50", 3.5), (".5", 0.5), ("-0.001", -0.001), ("84.", 84.0),  # NR2
    ("1.5E+1", 15.0), ("+2.5000E-03", 0.0025), ("-1e0", -1.0),  # NR3
    (" 84.000 V", 84.0), ("5.00A", 5.0),  # units, which the standard leaves out and some send
])  # fmt: skip
def test_numbers_of_all_three_forms_are_read(answer: str, value: float) -> None:
    assert number_in(answer) == pytest.approx(value)


@pytest.mark.parametrize("answer", [
    "9.91E37", "9.9E+37", "-9.9E37",  # SCPI-1999, volume 1, 7.2.1: not a number, infinity
    "", "1,2", "--1", "ON", "1.2.3", "0x10", "nan", "inf", "1_000", "\x00\xff", "12\n13",
])  # fmt: skip
def test_what_is_no_number_never_becomes_one(answer: str) -> None:
    with pytest.raises(DeviceError, match="a number was to come"):
        number_in(answer)


@pytest.mark.parametrize(("answer", "on"), [("1", True), ("0", False), ("ON", True), (" off ", False)])
def test_a_switch_is_read(answer: str, on: bool) -> None:
    assert switch_in(answer) is on


@pytest.mark.parametrize("answer", ["", "2", "1.0", "84.000", "YES"])
def test_what_is_no_switch_is_not_taken_for_off(answer: str) -> None:
    with pytest.raises(DeviceError, match="0 or 1"):
        switch_in(answer)


def test_four_fields_say_who_answers() -> None:
    made = identity_in("Invented Works,Practice 1,A17,1.0,rev 2")
    assert (made.maker, made.model, made.serial, made.firmware) == ("Invented Works", "Practice 1", "A17", "1.0,rev 2")
    assert made.words == "Invented Works Practice 1, serial number A17"
    assert identity_in("Works,One,0,0").words == "Works One"  # IEEE 488.2, 10.14: 0 where there is none


@pytest.mark.parametrize("answer", ["", "only", "a,", "\x1b[2J,b,c,d"])
def test_who_does_not_keep_to_the_standard_is_no_instrument(answer: str) -> None:
    with pytest.raises(DeviceError):
        identity_in(answer)


@pytest.mark.parametrize(("answer", "said"), [
    ('0,"No error"', ""), ("+0,\"No error\"", ""), ("0", ""), ("0, No Error", ""),
    ('-113,"Undefined header"', "error -113, Undefined header"),
    ('-222,"Data out of range;""VOLT"" 900"', 'error -222, Data out of range;"VOLT" 900'),
    ("32", "event status 32"), ("16", "event status 16"),  # *ESR?: command and execution error, IEEE 488.2 11.5.1
    ("128", ""), ("1", ""),  # power on, operation complete
])  # fmt: skip
def test_errors_are_read(answer: str, said: str) -> None:
    assert error_in(answer) == said


def test_an_error_never_gets_to_act_on_a_terminal() -> None:
    assert "\x1b" not in error_in('-1,"\x1b[2Jgone"')
    assert len(error_in(f'-1,"{"x" * 5000}"')) < 200


@example("0" * 21 + 4 * "\x80" + 9 * "\U0001005e")
@given(st.text(max_size=60))
def test_any_answer_is_read_or_refused_in_one_line(answer: str) -> None:
    said = [refused for read in (number_in, switch_in, identity_in, error_in) if (refused := refusal_of(read, answer))]
    assert all("\n" not in line and len(line) < 200 for line in said)


def refusal_of(read: Callable[[str], object], answer: str) -> str:
    try:
        read(answer)
    except DeviceError as error:
        return str(error)
    return ""


@given(st.floats(0, 1000))
def test_what_is_sent_is_plain_decimals_and_reads_back(value: float) -> None:
    command = filled("SOUR:VOLT {}", value)
    assert "E" not in command.split(" ")[1].upper()
    assert number_in(command.split(" ")[1]) == pytest.approx(value, abs=0.0006)
