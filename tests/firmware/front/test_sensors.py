"""Converters and sensors against the arithmetic of their data sheets."""

from __future__ import annotations

import json
import math

import pytest

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64


@pytest.fixture
def case():
    def go(script: str) -> list:
        return json.loads(run(Unix64(), CASES + script)[-1])["out"]

    return go


def test_codes_of_the_16_bit_converter(case):
    """Two's complement over +-6.144 V (ADS1115 data sheet, from memory): 187.5 uV a code."""
    got = case(
        "from evenboard.front.adc_ads111x import ADS111x, STEP_6V, STEP_4V\n"
        "adc = ADS111x(None, 72); out = []\n"
        "for code in (0, 1, 0x4000, 0x7FFE, 0x7FFF, 0xFFFF, 0xC000, 0x8001, 0x8000):\n"
        "    adc._in[0] = code >> 8; adc._in[1] = code & 255; out.append([adc._value(STEP_6V), adc._value(STEP_4V)])\n"
        "show(out=out)"
    )

    over = 1 << 29
    for code, (six, four) in zip((0, 1, 16384, 32766, None, -1, -16384, -32767, None), got, strict=True):
        if code is None:
            assert abs(six) == abs(four) == over
        else:
            assert abs(six - code * 187.5) <= 1
            assert abs(four - code * 125) <= 1


def test_codes_of_the_24_bit_converter(case):
    """+-5 V over 2^24 codes (ADS122C04 data sheet, from memory)."""
    codes = [0, 1 << 7, 0x400000, 0x7FFF00, 0x7FFFFF, 0xFFFF80, 0xC00000, 0x800000]
    got = case(
        "from evenboard.front.adc_ads122c04 import ADS122C04\nadc = ADS122C04(None, 64); out = []\n"
        f"for code in {codes}:\n"
        "    adc._in[0] = code >> 16; adc._in[1] = code >> 8 & 255; adc._in[2] = code & 255; out.append(adc._value())\n"
        "show(out=out)"
    )

    for code, uv in zip(codes, got, strict=True):
        signed = code - (1 << 24 if code & 0x800000 else 0)
        if code in (0x7FFFFF, 0x800000):
            assert abs(uv) == 1 << 29
        else:
            assert abs(uv - signed * 5e6 / (1 << 23)) <= 78


def test_temperatures_follow_the_b_parameter_equation(case):
    """B-parameter form of the thermistor equation, 10 kohm at 25 degC, B 3435 K, 10 kohm to 3.3 V."""
    wanted = [-39.0, -20.0, -0.5, 0.0, 12.3, 25.0, 37.7, 60.0, 85.0, 120.0]
    volts = []
    for t in wanted:
        r = 10000 * math.exp(3435 * (1 / (t + 273.15) - 1 / 298.15))
        volts.append(round(3.3e6 * r / (r + 10000)))
    got = case(
        "from evenboard.front.sensors import thermistor_table, centi_degrees\n"
        "table = thermistor_table(3435, 10000, 10000, 3300000)\n"
        f"show(out=[centi_degrees(uv, table) for uv in {volts}])"
    )

    assert max(abs(g / 100 - w) for g, w in zip(got, wanted, strict=True)) < 0.15


def test_an_open_or_shorted_thermistor_is_no_reading(case):
    assert (
        case(
            "from evenboard.front.sensors import thermistor_table, centi_degrees\n"
            "table = thermistor_table(3435, 10000, 10000, 3300000)\n"
            "show(out=[centi_degrees(uv, table) for uv in (3299999, 0, 10)])"
        )
        == [-32768] * 3
    )


@pytest.mark.parametrize("ma", [0, 5000, -45000, 99000])
def test_current_has_its_sign_and_scale_at_every_reading(case, ma):
    """20 mV/A and a step of 125 uV: half a step is 3 mA."""
    got = case(f"rig = Rig(current_ma={ma}); rig.app.scan_once(); show(out=list(rig.front.currents))")

    assert len(got) == 48
    assert max(abs(10 * v - ma) for v in got) <= 15


def test_current_beyond_the_range_is_no_reading(case):
    assert set(case("rig = Rig(current_ma=150000); rig.app.scan_once(); show(out=list(rig.front.currents))")) == {
        -32768
    }


def test_pack_voltage_stands_beside_the_sum_of_the_groups(case):
    """Divider 60, step 125 uV: 7.5 mV, and steps of 10 mV on the wire."""
    pack, total = case("rig = Rig(); rig.app.scan_once(); show(out=[list(rig.front.sensors.pack), sum(rig.volts_uv)])")

    assert len(pack) == 3
    assert max(abs(p / 100 - total / 1e6) for p in pack) < 0.02


def test_a_silent_sensor_part_costs_no_group(case):
    got = case(
        "rig = Rig(); rig.app.scan_once(); rig.board.silent.add(74); ok = rig.app.scan_once()\n"
        "show(out=[ok, rig.front.sensors.temp[0], rig.readings_uv() != [], rig.front.sensors.errors])"
    )

    assert got[:2] == [True, -32768]
    assert got[3] > 0
