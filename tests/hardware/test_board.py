"""The reference board: its rules, its counts, its files as others read them, and every fault within the ratings.

Outside references: ngspice for the faults, kinparse (a parser of KiCad net lists that is not ours).
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from evenstring.hardware.bus import bus_pf, worst_drive_a
from evenstring.hardware.front_end import RelayScan
from evenstring.hardware.reference import reference_design
from evenstring.hardware.wiring import tap_list

from tests.hardware.firmware_source import BOARDS, board
from tests.shares import first_few

NOTES = Path(__file__).parents[2] / "hardware_notes"
sys.path.insert(0, str(NOTES))

from drawings.placement import BARRIER_MM, BOARD_MM, LIVE, TOUCHED, Rect, placed  # noqa: E402
from schematic.__main__ import MADE, files  # noqa: E402
from schematic.catalog import KINDS  # noqa: E402
from schematic.kicad import net_list  # noqa: E402
from schematic.net import Circuit  # noqa: E402
from schematic.reference import board as reference_board  # noqa: E402
from schematic.rules import broken, crossing  # noqa: E402
from stress.cases import FAULTS, fault  # noqa: E402
from stress.deck import ohms, solve  # noqa: E402
from stress.run import GROUP_V, KEPT, SIZES, run_all  # noqa: E402

SHARE = 0.6  # of a rating that any single fault may use


@pytest.mark.parametrize("groups", [1, 2, 16, 24, 25, 31, 32, 33, 36, 40])
def test_no_rule_is_broken_at_any_size(groups: int) -> None:
    assert broken(reference_board(groups)) == []


def test_more_groups_than_the_parts_take_are_refused() -> None:
    with pytest.raises(ValueError, match="1 to 40"):
        reference_board(41)


def changed(change: Callable[[Circuit], None]) -> list[str]:
    c = reference_board(24)
    change(c)
    return broken(c)


def rewire(ref: str, pin: str, net: str) -> Callable[[Circuit], None]:
    def change(c: Circuit) -> None:
        part = c.parts[ref]
        c.parts[ref] = replace(part, nets=part.nets | {pin: net})

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (rewire("R104", "2", "GND"), "R104 joins island1 and touch"),
        (rewire("R92", "2", "GND"), "R92 joins island2 and touch"),
        (rewire("C1", "1", "TAP3"), "C1 joins island1 and pack"),
        (rewire("K4", "4", "LINE_B"), "tap 4 is not on LINE_A once"),
        (rewire("K4", "2", "Y6"), "tap 4 has address 3, not 2"),
        (rewire("U20", "19", "GND"), "U20 does not hang on the one-shot"),
        (rewire("U7", "1", "J3V3"), "addresses are [72, 73, 73]"),
        (rewire("R200", "2", "GND"), "E0 has no pull to 3V3"),
        (rewire("D1", "3", "LINE_B"), "LINE_A has 0 of clamp pair"),
        (rewire("U30", "1", "Y0"), "Y0 is driven 2 times"),
        (lambda c: c.add("C99", "capacitor", "100nF", "relays", "1=TAP3 2=TAP4"), "TAP3 meets capacitor"),
        (lambda c: c.parts.pop("C4"), "I5V: 2 parts, 1 capacitors"),
        (lambda c: c.parts.pop("F3"), "FUSED3 meets nothing"),
    ],
)
def test_a_wrong_wire_breaks_a_rule_that_names_it(change: Callable[[Circuit], None], says: str) -> None:
    assert any(says in what for what in changed(change)), changed(change)


def test_what_crosses_the_barrier_is_listed_and_states_its_insulation() -> None:
    kinds = Counter(p.kind for p in crossing(reference_board(24)))
    assert kinds == {"photo-relay": 26, "i2c isolator": 2, "dc-dc": 2, "pack supply": 1}
    assert all("reinforced" in KINDS[kind].insulation for kind in kinds)


def test_pieces_are_as_many_as_the_pages_need() -> None:
    """By hand for 24 groups: 25 taps, two resistors a lead, 25 + 2 fused leads, three converters, two islands."""
    kinds = Counter(p.kind for p in reference_board(24).parts.values())
    assert (kinds["lead fuse"], kinds["lead resistor"], kinds["photo-relay"]) == (27, 50, 26)
    assert (kinds["converter"], kinds["i2c isolator"], kinds["dc-dc"]) == (3, 2, 2)
    assert (kinds["decoder"], Counter(p.kind for p in reference_board(40).parts.values())["decoder"]) == (2, 4)


@pytest.mark.parametrize("groups", SIZES)
def test_parts_list_counts_what_the_net_list_has(groups: int) -> None:
    rows = list(csv.DictReader(io.StringIO((MADE / f"relay_{groups}_parts.csv").read_text())))
    c = reference_board(groups)
    assert Counter(r["function"] for r in rows) == Counter(KINDS[p.kind].function for p in c.parts.values())
    page = (NOTES / "parts.md").read_text(encoding="utf-8")
    column = {24: 3, 36: 4, 40: 5}[groups]
    counted: Counter[str] = Counter()
    for line in page.splitlines():
        cells = [cell.strip() for cell in line.split("|")]
        if len(cells) > 8 and cells[1] in {k.function for k in KINDS.values()}:
            counted[cells[1]] += int(cells[column] or 0)
    assert counted == Counter(KINDS[p.kind].function for p in c.parts.values() if p.kind != "cell")


def test_made_files_are_fresh() -> None:
    stale = [name for name, text in files().items() if (MADE / name).read_text(encoding="utf-8") != text]
    assert stale == [], "run: make notes"


@pytest.mark.needs_test_extra
@pytest.mark.parametrize(("groups", "every"), first_few(1, [(SIZES[0], 4), *((n, 1) for n in SIZES)]))
def test_an_outside_parser_reads_the_same_board(groups: int, every: int) -> None:
    """Every fourth part with its nets; whole boards in `make soak`."""
    from kinparse import parse_netlist  # noqa: PLC0415  # an extra of the tests

    c = reference_board(groups)
    parts = dict(list(c.parts.items())[::every])
    used = {net for part in parts.values() for net in part.nets.values()}
    c = replace(c, parts=parts, regions={net: region for net, region in c.regions.items() if net in used})
    read = parse_netlist(net_list(c))
    assert {p.ref: p.value for p in read.parts} == {p.ref: p.value or "~" for p in c.parts.values()}
    nets = {n.name: {(p.ref, p.num) for p in n.pins} for n in read.nets}
    assert nets == {net: {(p.ref, p.number) for p in c.on_net(net)} for net in c.regions}


@pytest.mark.parametrize("groups", SIZES)
def test_relays_leads_and_values_are_those_of_tool_and_budget(groups: int) -> None:
    c, design = reference_board(groups), reference_design(groups)
    for tap in tap_list(groups, 2.5, 4.2):
        assert c.parts["J1"].nets[str(tap.pin)] == f"TAP{tap.number}"
        assert c.parts[f"K{tap.number}"].nets["4"] == ("LINE_B" if tap.line == "odd" else "LINE_A")
        assert ohms(c.parts[f"R{tap.number}A"]) + ohms(c.parts[f"R{tap.number}B"]) == pytest.approx(design.series.ohm)
    assert (ohms(c.parts["R101"]), c.parts["C1"].value) == (design.bus.bias_ohm, f"{design.bus.line_pf / 1e3:g}nF")
    low, high = ohms(c.parts["R106"]), ohms(c.parts["R105"])
    assert 5.0 * low / (low + high) == pytest.approx(design.bus.bias_v)
    # The shunt's divider: 2.495 V reference of the TL431 class, from memory.
    assert 2.495 * (1 + ohms(c.parts["R109"]) / ohms(c.parts["R110"])) == pytest.approx(5.24, abs=0.01)


def test_pins_and_ratio_are_those_of_the_board_description() -> None:
    data, c = board(BOARDS / "rp2040.json"), reference_board(24)
    pins = c.parts["U1"].nets
    names = {"SDA": data["i2c"]["sda"], "SCL": data["i2c"]["scl"], "ALIVE": data["mux"]["alive_pin"],
        "BUTTON": data["button_pin"], "BUZZ": data["buzzer_pin"], "LIGHT": data["led_pin"],
        "STRAP": data["maintenance_pin"]}  # fmt: skip
    assert {net: pins[f"GP{number}"] for net, number in names.items()} == {net: net for net in names}
    whole = sum(ohms(c.parts[r]) for r in ("R90A", "R90B", "R91A", "R91B", "R92"))
    assert whole / ohms(c.parts["R92"]) == pytest.approx(data["pack"]["ratio"], rel=5e-3)
    assert bus_pf(reference_design(24)) == data["mux"]["bus_pf"]


def kept() -> dict[str, dict[str, dict[str, float]]]:
    data: dict[str, dict[str, dict[str, float]]] = json.loads(KEPT.read_text(encoding="utf-8"))
    return data


@pytest.mark.parametrize("groups", SIZES)
def test_no_part_is_used_beyond_its_share_of_a_rating_in_any_fault(groups: int) -> None:
    cases = kept()[str(groups)]
    assert set(cases) == set(FAULTS)
    for case, row in cases.items():
        shares = {key: value for key, value in row.items() if key in KINDS}
        assert {"lead resistor", "photo-relay", "clamp pair", "shunt", "converter"} <= set(shares)
        assert {key: value for key, value in shares.items() if value > SHARE} == {}, case
        assert row["rail_v"] <= 5.5, case  # of the parts on the island's 5 V, recommended; from memory


@pytest.mark.parametrize("groups", SIZES)
def test_faults_agree_with_ohms_law(groups: int) -> None:
    cases, design = kept()[str(groups)], reference_design(groups)
    ends = (groups - groups % 2) * GROUP_V
    assert cases["two_stuck"]["lead_ma"] == pytest.approx(ends / (2 * design.series.ohm) * 1e3, rel=2e-3)
    assert cases["pinch_ends"]["lead_ma"] == pytest.approx(groups * GROUP_V / (2 * design.series.ohm) * 1e3, rel=2e-3)
    assert cases["many"]["lead_ma"] == pytest.approx(worst_drive_a(design) * 1e3, rel=3e-3)
    assert cases["zero_stuck"]["seen_v"] == pytest.approx(GROUP_V * 1e3 / (2 * design.series.ohm + 1e3), rel=0.01)


@pytest.mark.parametrize("groups", SIZES)
def test_what_no_cell_reads_is_beyond_the_threshold_and_what_a_cell_reads_is_not(groups: int) -> None:
    cases = kept()[str(groups)]
    over = 4.9
    assert all(abs(cases[c]["seen_v"]) > over for c in ("swapped_below", "pinch_below", "wrong_pair", "one_stuck"))
    assert all(abs(cases[c]["seen_v"]) < over for c in ("healthy", "series_short", "film_at", "film_below", "dead"))


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice (Debian package) is not here; CI installs it")
def test_kept_faults_are_what_the_simulator_gives() -> None:
    fresh = run_all(24)
    for case, row in kept()["24"].items():
        assert fresh[case] == pytest.approx(row, rel=0.02, abs=1e-3), case


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice (Debian package) is not here; CI installs it")
def test_weaker_resistors_would_be_found_out() -> None:
    """The quarter-watt resistors of an earlier design: 89 % of their rating with a broken decoder."""
    c = reference_board(24)
    v = solve(c, fault("many", 24), GROUP_V)
    most = max(abs(v[f"FUSED{k}"] - v[f"HALF{k}"]) for k in range(25)) ** 2 / 6040
    assert most / 0.25 > SHARE
    assert most / 0.5 < SHARE


def apart(a: Rect, b: Rect) -> float:
    """Gap between two boxes, mm; 0 when they touch or overlap."""
    dx = max(a[0] - b[0] - b[2], b[0] - a[0] - a[2], 0.0)
    dy = max(a[1] - b[1] - b[3], b[1] - a[1] - a[3], 0.0)
    return float((dx**2 + dy**2) ** 0.5)


def inside(a: Rect, b: Rect) -> bool:
    return b[0] <= a[0] and b[1] <= a[1] and a[0] + a[2] <= b[0] + b[2] and a[1] + a[3] <= b[1] + b[3]


def test_sides_of_the_sketch_keep_the_barrier_and_only_crossing_parts_stand_in_it() -> None:
    for live in LIVE:
        for touched in TOUCHED:
            assert apart(live, touched) >= BARRIER_MM, (live, touched)
    c = reference_board(24)
    across = {p.ref for p in crossing(c)}
    for ref, rect in placed(c).items():
        assert inside(rect, (0, 0, *BOARD_MM)), ref
        if ref not in across:
            assert any(inside(rect, area) for area in (*LIVE, *TOUCHED)), ref
    assert {"K0", "K24", "KZ", "U3", "U8", "PS1", "PS2"} <= set(placed(c))


def test_boxes_of_the_sketch_do_not_overlap() -> None:
    boxes = placed(reference_board(24))
    assert [(a, b) for a, b in combinations(boxes, 2) if apart(boxes[a], boxes[b]) == 0] == []


def test_drawn_sheets_show_every_part_of_the_board() -> None:
    text = "".join(f.read_text(encoding="utf-8") for f in (NOTES / "drawings").glob("sheet_*.svg"))
    missing = [p.ref for p in reference_board(24).parts.values() if p.sheet != "harness" and f">{p.ref}  " not in text]
    assert missing == []


def test_reference_designs_are_those_of_the_files() -> None:
    from evenstring.hardware.front_end import parse_front_end  # noqa: PLC0415

    for groups in SIZES:
        file = NOTES / "front_ends" / f"relay_{groups}.toml"
        assert parse_front_end(file.read_text(encoding="utf-8"), file.name) == reference_design(groups)
    assert isinstance(reference_design(1), RelayScan)


def test_each_simulated_fault_belongs_to_a_row_of_the_table_and_the_other_way_round() -> None:
    import tomllib  # noqa: PLC0415

    rows = tomllib.loads((NOTES / "failure_modes.toml").read_text(encoding="utf-8"))["mode"]
    named = {case for row in rows for case in row.get("circuit", ())}
    assert named == set(FAULTS) - {"healthy"}
