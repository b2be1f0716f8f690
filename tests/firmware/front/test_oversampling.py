"""Several conversions averaged into one reading: less noise by the root, its cost in time stated, nothing allocated."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import stats

from tests.firmware.front.test_divider_bank import BANK
from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import board_heap, run
from tests.firmware.test_heap import _script
from tests.mp import Unix64

# White noise of 2 mV more than the converter's own, so that no step of 0.2 mV hides what averaging does. A new table of
# noise for each scan, since one alone is a thousand numbers, told over and over.
NOISY = """
from world import noise_table
adc = {"part": %r, "address": 72, "conversions": %d}
rig = Rig(groups=12, changes={"adc": adc}, faults=[{"kind": "noise", "uv": 2000}])
out = []
for seed in %r:
    rig.world._noise = noise_table(seed)
    rig.app.scan_once()
    out.append(list(rig.front.readings))
show(out=out, crimes=rig.world.crimes)
"""


@pytest.fixture
def case():
    def go(script: str) -> dict:
        return json.loads(run(Unix64(), CASES + BANK + script)[-1])

    return go


@pytest.mark.parametrize("part", ["ads1115", "ads122c04"])
@pytest.mark.parametrize("conversions", [1, 2, 4, 16])
def test_noise_falls_with_the_root_of_the_conversions(case, part, conversions):
    """JCGM 100:2008, 4.2.3 for the mean of n values; the sample variance against the chi-square law of scipy.

    One conversion: 2.075 mV with the ADS1115 class (75 uV its own), and its step of 187.5 uV; ADS122C04 class 2.02 mV.
    """
    seeds = np.random.default_rng(conversions).integers(1, 65536, 40).tolist()
    got = case(NOISY % (part, conversions, seeds))
    steps = np.array(got["out"], float)[5:]  # once the zero's mean of 16 scans has settled it moves little
    residual = steps - steps.mean(axis=0)
    own_uv, step_uv = (2075, 187.5) if part == "ads1115" else (2020, 76)
    expected_uv2 = (own_uv**2 + step_uv**2 / 12) / conversions + 200**2 / 12
    freedom = residual.size - residual.shape[1]
    low, high = stats.chi2.interval(0.999, freedom)
    chi2 = float((residual**2).sum()) * 200**2 / expected_uv2

    # Subtracting the zero adds its own noise: a mean over 16 scans, the same for all, up to 1/16 of the variance.
    assert low < chi2 < high * (1 + 1 / 16)
    assert got["crimes"] == []


def test_the_mean_has_no_bias_and_keeps_the_sign(case):
    got = case(
        "v = [3700000] * 12; v[3] = -800000\n"
        "rig = Rig(v, groups=12, changes={'adc': {'part': 'ads1115', 'address': 72, 'conversions': 16}})\n"
        "rig.app.scan_once(); show(got=rig.readings_uv())"
    )

    assert max(abs(uv - (-800000 if g == 3 else 3700000)) for g, uv in enumerate(got["got"])) < 300


def test_one_conversion_at_the_end_of_the_range_stands_for_all(case):
    """Half of the conversions of a group at 6.1435 V reach the end, with 2 mV of noise."""
    got = case(
        "v = [3700000] * 12; v[2] = v[5] = 6143500\n"
        "rig = Rig(v, groups=12, changes={'adc': {'part': 'ads1115', 'address': 72, 'conversions': 16}},\n"
        "    faults=[{'kind': 'noise', 'uv': 2000}])\n"
        "ok = rig.app.scan_once(); show(ok=ok, raw=[rig.front.readings[k] for k in (2, 5)])"
    )

    assert got == {"ok": True, "raw": [32767, 32767]}


@pytest.mark.parametrize("conversions", [2, 4, 16])
@pytest.mark.parametrize("part", ["ads1115", "ads122c04"])
def test_the_stated_scan_time_holds_with_more_conversions(case, conversions, part):
    got = case(
        f"rig = Rig(changes={{'adc': {{'part': {part!r}, 'address': 72, 'conversions': {conversions}}}}})\n"
        "t = vtime.ms; rig.app.scan_once(); show(took=vtime.ms - t, said=rig.front.scan_ms())"
    )

    # The models answer at once: stated are the interpreter's share and a slow converter clock too.
    assert 0.75 * got["said"] < got["took"] <= got["said"]


def test_ident_states_the_rate_and_the_noise_of_averaged_readings(case):
    got = case(
        "ident = {}\n"
        "for n in (1, 4):\n"
        "    rig = Rig(changes={'adc': {'part': 'ads1115', 'address': 72, 'conversions': n},\n"
        "        'meter': {'noise_uv': 130, 'channel_u_uv': 300, 'gain_u_ppm': 500}})\n"
        "    rig.app.fill_ident(); f = struct.unpack_from(wire.IDENT_FORMAT, rig.app.link.body, 7)\n"
        "    ident[n] = f[6:8]\n"
        "show(one=ident[1], four=ident[4])"
    )

    # By hand: 2 x 24 + 2 readings, three more conversions of 1.3 + 0.5 ms each: 270 ms.
    assert got["four"][0] - got["one"][0] == pytest.approx(270, abs=1)
    assert got["one"][1] == 130
    assert got["four"][1] == pytest.approx(((130**2 - 200**2 / 12) / 4 + 200**2 / 12) ** 0.5, abs=0.51)


@pytest.mark.parametrize("conversions", [0, 17, -1, 2.5, "4", True])
def test_a_number_of_conversions_out_of_range_is_refused(case, conversions):
    got = case(
        f"n = {conversions!r}\n"
        "relay = boards.check(dict(RP2040_24, adc={'part': 'ads1115', 'address': 72, 'conversions': n}))\n"
        "data = dict(RP2040_24, groups=7); data.update(bank(7, conversions=n))\n"
        "show(relay=relay, bank=boards.check(data))"
    )

    assert got == {"relay": "adc.conversions must be 1 to 16", "bank": "bank.conversions must be 1 to 16"}


def test_the_bank_takes_as_many_conversions_as_described(case):
    got = case(
        "ms = []\n"
        "for n in (1, 4, 16):\n"
        "    rig = Rig(groups=7, changes=bank(conversions=n)); ok = rig.app.scan_once()\n"
        "    ms.append(rig.front.scan_ms())\n"
        "    uv = [v * 200 for v in rig.front.readings]\n"
        "show(ok=ok, ms=ms, uv=uv, true=rig.volts_uv)"
    )

    assert got["ok"]
    assert got["ms"][0] < got["ms"][1] < got["ms"][2]
    assert max(abs(a - b) for a, b in zip(got["uv"], got["true"], strict=True)) < 1500


def test_averaging_allocates_nothing(runtime):
    """Sums of 16 conversions stay under 2^30, or the 32-bit interpreter would allocate; groups near the range's end."""
    script = _script(24, 20, adc={"part": "ads1115", "address": 72, "conversions": 16})
    script = script.replace("rig = Rig(", "rig = Rig([4850000] * 24, ")
    good, _, crimes, _ = run(runtime, script, heap=board_heap(runtime), as_on_a_board=True)[-1].split()

    assert (good, crimes) == ("20", "0")
