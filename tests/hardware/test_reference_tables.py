"""Reference readings from tables: group by group and against tap 0, with and without times; the meter's uncertainty."""

from __future__ import annotations

import math

import pytest
from evenstring.errors import InputError
from evenstring.hardware.calibrate import ReferencePoint
from evenstring.hardware.meter_spec import MeterUncertainty, parse_uncertainty
from evenstring.io.table.hand_table import parse_hand_table
from evenstring.io.table.reference import reference_points

METER = MeterUncertainty(1e-4, 2.5e-4)


def points(text: str, meter: MeterUncertainty | None = METER) -> tuple[ReferencePoint, ...]:
    return reference_points(parse_hand_table(text.split("\n"), "meter.csv", "group and volts"), meter)


def test_readings_group_by_group_without_times_hold_for_the_whole_recording() -> None:
    first, second = points("Gruppe;mV\n1;3912\n2;3899")

    assert (first.group, first.volts_v, first.start_s, first.end_s) == (1, 3.912, -math.inf, math.inf)
    assert first.u_v == pytest.approx(1e-4 * 3.912 + 2.5e-4)
    assert first.u_own_v == pytest.approx(1e-3 / math.sqrt(12))  # the last digit as a rectangle: JCGM 100, F.2.2.1
    assert second.group == 2


def test_one_moment_stands_for_a_quarter_of_a_minute_on_either_side() -> None:
    (at,) = points("group,at_s,volts,u_volts\n3,100,3.9000,0.0007")

    assert (at.group, at.start_s, at.end_s, at.u_v) == (3, 85, 115, 0.0007)


def test_readings_against_tap_0_become_groups_that_carry_both_readings_uncertainty() -> None:
    text = "tap,start_s,end_s,volts,u_volts\n" + "".join(
        f"{k},{s + 10 * k},{s + 10 * k + 9},{v * k:.4f},0.003\n" for s, v in ((0, 3.3), (600, 4.1)) for k in range(5)
    ).replace("0,0,9,0.0000,0.003\n", "")
    found = points(text)

    assert [(p.group, round(p.volts_v, 6)) for p in found] == [(g, v) for v in (3.3, 4.1) for g in (1, 2, 3, 4)]
    assert (found[1].start_s, found[1].end_s) == (10, 29)
    assert found[1].u_own_v == pytest.approx(0.003 * math.sqrt(2), rel=1e-3)
    assert found[0].u_own_v < 1e-4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("group,start_s,end_s,volts,u_volts\n1,9,0,3,1", "line 2: end_s must come after start_s"),
        ("group,start_s,volts,u_volts\n1,9,3,1", "and both be there"),
        ("group,volts\n1,3.9", "line 2: nothing says how uncertain the meter is; add a column u_volts"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_line(text: str, says: str) -> None:
    with pytest.raises(InputError) as error:
        points(text, None)
    assert says in str(error.value)


def test_a_meters_specification_becomes_the_standard_uncertainty_of_the_handbooks_example() -> None:
    # JCGM 100:2008, 4.3.7, example 2 (from memory): 14e-6 of the reading and 2e-6 of the 1 V range as bounds, a reading
    # of 0.928571 V: half width 15 uV, standard uncertainty 8.7 uV.
    assert parse_uncertainty("14 ppm + 2 µV", "job").u_v(0.928571) == pytest.approx(8.7e-6, abs=0.05e-6)


@pytest.mark.parametrize("text", [
    "0.02 % + 0.5 mV (k = 2)", "0,02 % + 0,5 mV (k=2)", "± (0.02 % of reading + 500 uV), k = 2",
    "200 ppm rdg + 0.0005 V k=2",
])  # fmt: skip
def test_a_stated_factor_divides_in_any_spelling(text: str) -> None:
    meter = parse_uncertainty(text, "job")

    assert (meter.part, meter.fixed_v) == (pytest.approx(1e-4), pytest.approx(2.5e-4))


@pytest.mark.parametrize("text", ["", "good", "0.5 % + 3 digits", "0 mV", "1 mV (k = 0)", "0.5", "1.2.3 mV"])
def test_what_says_no_uncertainty_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="uncertainty"):
        parse_uncertainty(text, "job")
