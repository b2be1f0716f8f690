"""The budget against hand-worked cases, against closed formulas of handbooks, and against the firmware's own times."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from evenstring.commands.bench.budget import command
from evenstring.errors import InputError
from evenstring.hardware.budget import budget_of
from evenstring.hardware.bus import bus_pf, leak_paths, settle_us, taps_on_lines, worst_drive_a
from evenstring.hardware.front_end import DividerBank, RelayScan, parse_front_end

from tests.hardware.firmware_source import BOARDS, board, constant, function

FRONT_ENDS = Path(__file__).parents[2] / "hardware_notes" / "front_ends"


def relay(**parts: dict[str, float]) -> RelayScan:
    lines = ['kind = "relay_scan"']
    for table, values in parts.items():
        lines += [f"[{table}]", *(f"{key} = {value}" for key, value in values.items())]
    design = parse_front_end("\n".join(lines), "test")
    assert isinstance(design, RelayScan)
    return design


def test_reference_design_keeps_every_limit() -> None:
    assert budget_of(RelayScan()).over == ()


def test_leakage_of_ordinary_relays_is_refused() -> None:
    # Worked by hand: 36 groups, 37 taps, 19 on the even line, 18 leak; 18 x 1 uA x 10 kohm = 180 mV.
    design = relay(string={"groups": 36}, series={"ohm": 10000.0}, relay={"off_leak_max_na": 1000.0})
    budget = budget_of(design)
    assert budget.value("leak_uv") == pytest.approx(180_000)
    assert "leak_allowed_na" in {line.key for line in budget.over}


def test_allowed_leakage_is_the_one_at_which_the_limit_is_just_kept() -> None:
    allowed = budget_of(RelayScan()).value("leak_allowed_na")
    at_limit = replace(RelayScan(), relay=replace(RelayScan().relay, off_leak_max_na=allowed))
    line = next(x for x in budget_of(at_limit).lines if x.key == "spread_u_mv")
    assert line.value == pytest.approx(line.limit, rel=1e-9)


def test_stuck_relays_across_the_full_string_heat_as_ohms_law_says() -> None:
    # By hand: 151.2 V across two 10 kohm: 7.56 mA, 0.57 W in each.
    budget = budget_of(relay(string={"groups": 36, "group_max_v": 4.2}, series={"ohm": 10000.0, "parts": 1}))
    assert budget.value("fault_ma") == pytest.approx(7.56)
    assert budget.value("part_w") == pytest.approx(0.5715, abs=1e-4)
    assert {"fault_ma", "part_w"} <= {line.key for line in budget.over}


def test_tolerance_of_the_leads_makes_spread() -> None:
    # By hand: 1 % of 20 kohm against 940 kohm and 4.2 V: 0.87 mV.
    design = relay(
        string={"group_max_v": 4.2},
        series={"ohm": 10000.0, "tolerance_ppm": 10000.0},
        bus={"bias_ohm": 470000.0},
        converter={"input_ohm": 1e12, "common_ohm": 1e12},
    )
    assert budget_of(design).value("mismatch_uv") == pytest.approx(875, abs=1)


def test_divider_bank_unbalances_the_string_it_measures() -> None:
    # By hand, 1 Mohm a tap, 4.0 V groups: 24 groups 1.200 mA against 0.096 mA: 0.795 Ah in 30 days; 36 groups 1.81 Ah.
    for groups, uneven in ((24, 0.795), (36, 1.814)):
        text = f'kind = "divider_bank"\n[string]\ngroups = {groups}\ngroup_max_v = 4.0\n[divider]\nohm = 1e6\n'
        budget = budget_of(parse_front_end(text, "test"))
        assert budget.value("uneven_ah_30d") == pytest.approx(uneven, abs=2e-3)
        assert "uneven_ah_30d" in {line.key for line in budget.over}


def test_divider_bank_is_refused_above_the_string_that_it_can_resolve() -> None:
    # By hand: 5 ppm/K over 20 K is 100 ppm, 15.1 mV of 151 V; a step of 16 bits is 2.3 mV, two are 4.6: together 15.8.
    text = 'kind = "divider_bank"\n[string]\ngroups = 36\ngroup_max_v = 4.2\n'
    budget = budget_of(parse_front_end(text, "test"))
    assert budget.value("error_mv") == pytest.approx(15.8, abs=0.05)
    assert budget.value("step_mv") == pytest.approx(2.31, abs=0.01)
    small = parse_front_end(
        'kind = "divider_bank"\n[string]\ngroups = 7\n[divider]\nohm = 4e7\nidle_disconnect = true\n', "test"
    )
    assert budget.value("reach_v") == pytest.approx(31.9, abs=0.1)
    assert budget_of(small).over == ()


def test_both_converters_of_a_divider_bank_have_the_noise_of_their_signal_to_noise_ratio() -> None:
    """Data sheets, from memory: 92 and 89 dB, full-scale sine; its r.m.s. value is full scale / (2 sqrt 2)."""
    for part, ratio_db in (("ads8688", 92), ("ltc1867", 89)):
        design = parse_front_end(f'kind = "divider_bank"\n[converter]\npart = "{part}"\nconversions = 1', "test")
        budget = budget_of(design)
        steps = 65536 / (2 * math.sqrt(2)) / 10 ** (ratio_db / 20)
        assert budget.value("noise_mv") == pytest.approx(math.sqrt(2) * steps * budget.value("step_mv"), rel=0.05)


def test_a_named_converter_of_a_relay_scan_stands_for_its_values() -> None:
    design = parse_front_end('[converter]\npart = "ads122c04"\nrate_hz = 900.0', "test")
    assert isinstance(design, RelayScan)
    assert (design.converter.noise_uv, design.converter.rate_hz) == (30.0, 900.0)


def test_johnson_noise_agrees_with_the_handbook_value() -> None:
    # Any instrumentation handbook: 1 kohm at 300 K makes 4.07 nV in 1 Hz; here 2 x 12.08 kohm, 430 Hz, 333 K.
    expected_uv = 4.07e-3 * (24.16 * 430 * 333 / 300) ** 0.5
    assert budget_of(RelayScan()).value("johnson_uv") == pytest.approx(expected_uv, rel=2e-3)


def test_averaging_lowers_the_noise_by_the_root_and_the_boards_own_figure_agrees() -> None:
    """JCGM 100:2008, 4.2.3: the mean of n independent values has the variance of one, over n; the wire's step stays."""
    firmware = function("line/messages.py", "averaged_uv", math=math, _UNKNOWN=65535)
    one = budget_of(RelayScan()).value("noise_uv")
    for n in (1, 2, 4, 16):
        design = replace(RelayScan(), converter=replace(RelayScan().converter, conversions=n))
        noise = budget_of(design).value("noise_uv")
        assert noise**2 - 200**2 / 12 == pytest.approx((one**2 - 200**2 / 12) / n)
        assert firmware(round(one), n) == pytest.approx(noise, abs=1)
    assert firmware(65535, 4) == 65535  # unknown stays unknown


@pytest.mark.parametrize(("groups", "expected"), [(1, (1, 1)), (24, (13, 12)), (35, (18, 18)), (40, (21, 20))])
def test_taps_are_shared_between_the_lines(groups: int, expected: tuple[int, int]) -> None:
    assert taps_on_lines(groups) == expected
    assert sum(expected) == groups + 1


def test_banks_leave_fewer_relays_leaking() -> None:
    # 21 taps in banks of 8: 7 others of the bank, 2 other bank relays.
    assert (leak_paths(40), leak_paths(40, 8)) == (20, 9)


@pytest.mark.parametrize("ohm", [10000, 12080, 16120, 18180])
def test_settle_time_is_the_firmwares(ohm: int) -> None:
    firmware = function("start/build.py", "settle_us")
    assert settle_us(ohm, 5950) == pytest.approx(firmware(ohm, 5950), abs=2)


@pytest.mark.parametrize("conversions", [1, 4, 16])
@pytest.mark.parametrize("path", sorted(BOARDS.glob("*.json")), ids=lambda p: p.stem)
def test_time_of_a_scan_is_the_firmwares(path, conversions) -> None:  # type: ignore[no-untyped-def]  # pytest parameters
    data = board(path)
    mux = data["mux"]
    design = RelayScan()
    design = replace(
        design,
        string=replace(design.string, groups=data["groups"]),
        series=replace(design.series, ohm=float(mux["series_ohm"])),
        relay=replace(design.relay, on_us=mux["relay_on_us"], off_us=mux["relay_off_us"]),
        converter=replace(design.converter, conversions=conversions),
    )
    assert bus_pf(design) == mux["bus_pf"]
    settle = function("start/build.py", "settle_us")(mux["series_ohm"], mux["bus_pf"])
    front = SimpleNamespace(
        _off_us=mux["relay_off_us"],
        wait_us=mux["relay_on_us"] + settle,
        adc=SimpleNamespace(conversion_us=constant("front/adc_ads111x.py", "CONVERSION_US")),
        groups=data["groups"],
        sensors=SimpleNamespace(packs=3),
        conversions=conversions,
    )
    constants = {name: constant("front/relay_scan.py", name) for name in ("_BUS_US", "_AGAIN_US")}
    firmware_ms = function("front/relay_scan.py", "scan_ms", **constants)(front)
    assert budget_of(design).value("scan_ms") == pytest.approx(firmware_ms, rel=0.02)


@pytest.mark.parametrize("path", sorted(BOARDS.glob("*.json")), ids=lambda p: p.stem)
def test_board_descriptions_keep_the_budget_and_do_not_claim_more_than_it(path) -> None:  # type: ignore[no-untyped-def]  # as above
    data = board(path)
    series = replace(RelayScan().series, ohm=float(data["mux"]["series_ohm"]))
    string = replace(RelayScan().string, groups=data["groups"])
    budget = budget_of(replace(RelayScan(), series=series, string=string))
    assert budget.over == ()
    assert data["meter"]["noise_uv"] >= budget.value("noise_uv")
    assert data["meter"]["channel_u_uv"] >= budget.value("channel_u_uv")
    if path.stem != "virtual":  # the virtual parts have no loss in the leads
        assert data["meter"]["gain_u_ppm"] >= budget.value("gain_need_ppm")
        draws = [budget.value(f"draw_{how}_mah") for how in ("awake", "asleep", "parked")]
        assert data["draw_mah"] == pytest.approx(draws, abs=1.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("kind = 3", "kind"),
        ("[nothing]", "table 'nothing' is not known"),
        ("[series]\nohms = 3", "'ohms' is not known; did you mean 'ohm'"),
        ("[series]\nohm = -3", "must be above 0"),
        ("[series]\nohm = nan", "must be a number"),
        ("[series]\nparts = 0", "at least 1"),
        ("[string]\ngroups = 41", "at most 40"),
        ("[supply]\nefficiency = 2.0", "at most 1"),
        ("[converter]\nconversions = 17", "at most 16"),
        ('[converter]\npart = "ltc1867"', "ads1115, ads122c04"),
        ("series = 3", "must be a table"),
        ("[[", "not valid TOML"),
        ('kind = "divider_bank"\n[divider]\nidle_disconnect = 3', "true or false"),
    ],
)
def test_a_bad_design_file_is_named_in_one_line(text: str, says: str) -> None:
    with pytest.raises(InputError, match=r"file\.toml") as caught:
        parse_front_end(text, "file.toml")
    assert says in str(caught.value)


def test_command_refuses_with_1_and_says_why() -> None:
    done = CliRunner().invoke(command, ["--groups", "36"])
    assert done.exit_code == 1
    assert "Refused: current of a touch, a pinch or two relays stuck" in done.output


def test_command_prints_json_and_nothing_else() -> None:
    done = CliRunner().invoke(command, ["--json"])
    data = json.loads(done.output)
    assert (done.exit_code, data["refused"]) == (0, False)
    assert {"key", "value", "unit", "limit", "ok"} <= set(data["lines"][0])


def test_missing_file_is_an_input_error(tmp_path) -> None:  # type: ignore[no-untyped-def]  # pytest fixture
    done = CliRunner().invoke(command, [str(tmp_path / "none.toml")])
    assert isinstance(done.exception, InputError)


def test_idle_disconnect_takes_nothing() -> None:
    bank = DividerBank(divider=replace(DividerBank().divider, idle_disconnect=True))
    assert budget_of(bank).value("uneven_ah_30d") == 0.0


def test_every_string_that_the_tool_takes_has_a_reference_design() -> None:
    """16 to 40 groups: one of the designs in front_ends/ keeps every limit for it."""
    designs = [parse_front_end((FRONT_ENDS / f"relay_{n}.toml").read_text(), "file") for n in (24, 36, 40)]
    for groups in range(1, 41):
        design = next(d for d in designs if groups <= d.string.groups)
        assert isinstance(design, RelayScan)
        assert budget_of(replace(design, string=replace(design.string, groups=groups))).over == (), groups


def test_load_counts_every_way_from_line_to_line() -> None:
    # By hand: 4.8 Mohm of bias, 22 Mohm between, 20 Mohm to ground and back: 3.29 Mohm; 24 kohm are 7,238 ppm.
    design = relay(series={"ohm": 12000.0}, bus={"bias_ohm": 2.4e6})
    assert budget_of(design).value("load_mohm") == pytest.approx(3.2916, abs=1e-3)
    assert budget_of(design).value("load_ppm") == pytest.approx(7238, abs=1)


def test_a_broken_decoder_heats_the_top_lead_most() -> None:
    # By hand: 24 groups of 4.35 V, 12 kohm: top against taps 0, 2, 4, 6: 104.4 - 31.32 = 73.08 V: 6.09 mA.
    assert worst_drive_a(relay(series={"ohm": 12000.0})) == pytest.approx(6.09e-3, rel=1e-3)


def test_open_relays_and_leads_slow_the_bus() -> None:
    # By hand: 13 taps of the even line, 12 open of 100 pF, a lead of 100 pF, 10 nF: half of 11,300 pF.
    assert bus_pf(RelayScan()) == pytest.approx(5650)


def test_an_island_that_earth_could_lift_beyond_its_rails_is_refused() -> None:
    for table, over in (({"pf": 60.0}, "earth_v"), ({"ohm": 1e8}, "barrier_dc_v")):
        assert over in {line.key for line in budget_of(relay(barrier=table)).over}


@pytest.mark.parametrize(
    ("key", "idle_ma"), [("awake_ma", 25.0 + 12.8), ("asleep_ma", 1.5 + 12.8), ("island_off_ma", 1.5)]
)
def test_mean_draw_is_the_weighted_mean_of_the_states(key: str, idle_ma: float) -> None:
    """By hand: a scan every 10 s at 25 + (9 + 0.6 + 10)/0.75 = 51.1 mA, else awake 25 or asleep 1.5, island 12.8 mA."""
    found = budget_of(RelayScan())
    share = found.value("scan_ms") / 10_000

    assert found.value(key) == pytest.approx(idle_ma + share * (51.13 - idle_ma), rel=0.001)


def test_what_a_month_takes_from_the_pack_by_hand() -> None:
    """24 groups at 3.6 V: 86.4 V. Parked: (51.13 mA x 3.3 V / 0.7 + 60 mW) / 86.4 V for 2 s in 300, and 12 uA always.

    Awake 38.26 mA at 3.3 V: 180.4 mW behind the supply, and its own 60. The figures of the parts are from memory.
    """
    found = budget_of(RelayScan())
    parked_ma = (51.13 * 3.3 / 0.7 + 60) / 86.4 * 2 / 300 + 0.012

    assert found.value("draw_awake_mah") == pytest.approx((38.26 * 3.3 / 0.7 + 60) / 86.4 * 720, rel=0.001)
    assert found.value("draw_asleep_mah") == pytest.approx((3.2 * 3.3 / 0.7 + 60) / 86.4 * 720, rel=0.001)
    assert found.value("draw_parked_mah") == pytest.approx(parked_ma * 720, rel=0.001)
    assert found.value("parked_share") == pytest.approx(parked_ma * 168 / 10_000 * 100, rel=0.001)


@pytest.mark.parametrize("groups", [16, 24, 36])
def test_a_week_parked_costs_less_than_a_thousandth_of_ten_ampere_hours(groups: int) -> None:
    design = replace(RelayScan(), string=replace(RelayScan().string, groups=groups))

    assert budget_of(design).value("parked_share") < 0.1
