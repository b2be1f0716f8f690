"""The pages of hardware_notes: fresh, linked, cautious, spelled, and agreeing with firmware and protocol."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import click
import pytest
from evenstring.cli import cli
from evenstring.hardware.bus import bus_pf, load_ohm
from evenstring.hardware.procedures import procedure
from evenstring.paths import protocol_dir

from tests.hardware.firmware_source import BOARDS, board, constant, function
from tests.shares import first_few

ROOT = Path(__file__).parents[2]
NOTES = ROOT / "hardware_notes"
PAGES = sorted([*NOTES.glob("*.md"), ROOT / "README.md", ROOT / "host" / "REPLAY.md", ROOT / "host" / "PROMISES.md"])
LIVE = [p for p in PAGES if p.name != "GLOSSARY.md"]
# Every command that is fixed for this tool; one that is not there yet is not run.
COMMANDS = {
    "demo", "record", "watch", "report", "export", "import", "simulate", "fetch", "deploy", "wiring", "calibrate",
    "batch", "bench", "budget", "logbook", "plan", "virtual", "pack", "compare", "match",
}  # fmt: skip


def load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


def commands_in(page: Path) -> Iterator[list[str]]:
    """Every `evenstring ...` that a page gives, in code blocks and in running text, without the word itself."""
    text = page.read_text(encoding="utf-8")
    for found in re.findall(r"^(?:\.venv/bin/)?evenstring (.+)$", text, re.MULTILINE):
        yield found.split()
    for found in re.findall(r"`evenstring ([^`\n]+)`", text):
        yield found.split()


def test_pages_hold_the_figures_of_their_sources() -> None:
    stale = [p.name for p, text in load(NOTES / "fill.py").pages().items() if p.read_text(encoding="utf-8") != text]
    assert stale == [], "run: python hardware_notes/fill.py"


def test_no_figure_with_a_unit_is_typed_where_the_script_has_it() -> None:
    # The settle time, the scan time and the fault current of the reference designs may come from fields only.
    figures = load(NOTES / "fill.py").budgets()
    for source in (NOTES / "source").glob("*.md"):
        typed = re.sub(r"\{\{.+?\}\}", "", source.read_text(encoding="utf-8"))
        for design in ("relay_24", "relay_36", "relay_40"):
            for key, unit in (("scan_ms", "ms"), ("settle_us", "us"), ("string_v", "V"), ("step_us", "us")):
                assert f"{figures[design].value(key):.0f} {unit}" not in typed, source.name
            for key, unit in (("fault_ma", "mA"), ("many_ma", "mA"), ("load_ppm", "ppm"), ("spread_u_mv", "mV")):
                assert f"{figures[design].value(key):.3g} {unit}" not in typed, source.name


@pytest.mark.needs_test_extra
def test_drawings_are_fresh() -> None:
    draw = load(NOTES / "drawings" / "draw.py")
    stale = [name for name in draw.DRAWINGS if (NOTES / "drawings" / f"{name}.svg").read_bytes() != draw.svg(name)]
    assert stale == [], "run: python hardware_notes/drawings/draw.py"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if "://" not in link:
            assert (page.parent / link.partition("#")[0]).exists(), link


@pytest.mark.parametrize("page", LIVE, ids=lambda p: p.name)
def test_the_caution_stands_in_the_first_screen(page: Path) -> None:
    first = " ".join(
        " ".join(page.read_text(encoding="utf-8").splitlines()[:24]).replace(">", " ").replace("**", "").split()
    )
    assert "can kill" in first.replace("60 V DC a pack can kill", "can kill")
    assert "can burn" in first
    if page != NOTES / "README.md":
        assert "hardware_notes" in first or "Read this first" in first


def test_nothing_is_called_safe() -> None:
    for page in PAGES:
        assert not re.search(r"\b(is|are|perfectly|completely) safe\b", page.read_text(encoding="utf-8"), re.IGNORECASE)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_commands_and_options_in_the_pages_exist(page: Path) -> None:
    context = click.Context(cli)
    for words in commands_in(page):
        assert words[0] in COMMANDS
        if words[0] not in cli.list_commands(context):
            continue
        try:
            command = cli.get_command(context, words[0])
        except ImportError:
            continue  # its own tests say so
        assert command is not None
        if isinstance(command, click.Group) and len(words) > 1:
            command = command.get_command(context, words[1])
            assert command is not None, words
        known = {option for p in command.params for option in (*p.opts, *p.secondary_opts)} | {"--help"}
        assert {w for w in words if w.startswith("-")} <= known, words


@pytest.mark.slow
def test_cheap_commands_of_the_pages_run(tmp_path: Path) -> None:
    pack = tmp_path / "pack.toml"
    pack.write_text('[pack]\ngroups = 20\nchemistry = "nmc"\n')
    meter = tmp_path / "meter.csv"
    meter.write_text("tap,volts\n" + "".join(f"{t},{3.7 * t}\n" for t in range(21)))
    for line, code in (
        ("budget --groups 20", 0),
        (f"budget {NOTES / 'front_ends' / 'relay_36.toml'}", 0),
        (f"budget {NOTES / 'front_ends' / 'relay_ordinary.toml'}", 1),
        ("wiring --groups 20 --draw", 0),
        (f"wiring --pack {pack} --check {meter}", 0),
    ):
        done = subprocess.run(
            [sys.executable, "-c", "from evenstring.cli import main; main()", *line.split()],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=False,
        )
        assert done.returncode == code, done.stderr


def test_failure_modes_name_faults_readings_and_alarms_of_the_protocol() -> None:
    table = tomllib.loads((protocol_dir() / "messages.toml").read_text(encoding="utf-8"))
    modes = tomllib.loads((NOTES / "failure_modes.toml").read_text(encoding="utf-8"))["mode"]
    for mode in modes:
        assert mode.get("fault", "none") in table["enums"]["fault"]
        assert mode.get("reading", "no_reading") in table["reading_codes"]
        assert mode.get("alarm", "reversed") in table["enums"]["alarm"]
    answered = {mode["fault"] for mode in modes if "fault" in mode}
    assert answered == set(table["enums"]["fault"]) - {"none"}


def test_stated_answers_are_the_firmwares() -> None:
    """Limits that the failure table writes in words: three bad scans, a zero within 5 mV, a 50 ms one-shot."""
    assert constant("app.py", "_TRIES") == 3
    assert constant("front/relay_scan.py", "_ZERO_LIMIT_UV") == 5000
    text = (NOTES / "failure_modes.toml").read_text(encoding="utf-8")
    assert "three in a row" in text
    assert "within 5 mV" in text


@pytest.mark.needs_test_extra
@pytest.mark.parametrize("path", sorted(BOARDS.glob("*.json")), ids=lambda p: p.stem)
def test_values_in_board_descriptions_are_those_of_the_drawings_and_the_reference_design(path: Path) -> None:
    draw = load(NOTES / "drawings" / "draw.py")
    mux = board(path)["mux"]
    assert f"{mux['series_ohm'] / 1000:g} kΩ" == draw.OHM
    design = load(NOTES / "circuits" / "run.py").design_of("relay_24")
    assert (design.series.ohm, bus_pf(design)) == (mux["series_ohm"], mux["bus_pf"])
    assert (design.relay.on_us, design.relay.off_us) == (mux["relay_on_us"], mux["relay_off_us"])


@pytest.mark.parametrize("name", ["rp2040", "esp32"])
def test_pins_of_a_board_are_used_once(name: str) -> None:
    data = board(BOARDS / f"{name}.json")
    pins = [data["i2c"]["sda"], data["i2c"]["scl"], data["mux"]["alive_pin"]]
    pins += [data[key] for key in ("buzzer_pin", "led_pin", "button_pin", "maintenance_pin")]
    assert len(set(pins)) == len(pins)
    assert (NOTES / "parts.md").read_text(encoding="utf-8").count("| `maintenance_pin` |") == 2


@pytest.mark.parametrize("name", ["relay_24", "relay_36", "relay_40"])
def test_simulated_circuits_have_settled_when_the_firmware_converts(name: str) -> None:
    circuits = load(NOTES / "circuits" / "run.py")
    results = json.loads(circuits.RESULTS.read_text(encoding="utf-8"))
    design = circuits.design_of(name)
    wait_us = function("start/build.py", "settle_us")(round(design.series.ohm), round(bus_pf(design)))
    settled = results[f"{name}.settle"]
    assert settled["settled_s"] * 1e6 <= wait_us
    assert settled["left_at_wait_v"] <= 200e-6  # one step of a reading
    # An open lead must still hold more than what the firmware calls doubtful when it looks the second time.
    assert results[f"{name}.open_lead"]["held_v"] * 1e6 > constant("front/relay_scan.py", "_DOUBT_UV")
    assert results[f"{name}.discharge"]["empty_s"] * 1e6 < design.relay.on_us


@pytest.mark.parametrize("name", ["relay_24", "relay_36", "relay_40"])
def test_budget_agrees_with_the_circuit_simulator(name: str) -> None:
    # Outside reference: ngspice.
    circuits = load(NOTES / "circuits" / "run.py")
    results = json.loads(circuits.RESULTS.read_text(encoding="utf-8"))
    figures = load(NOTES / "fill.py").budgets()[name]
    assert results[f"{name}.settle"]["left_at_wait_v"] * 1e6 == pytest.approx(figures.value("unsettled_uv"), rel=0.25)
    full = circuits.design_of(name).string.group_max_v
    read = full * (1 - figures.value("load_ppm") * 1e-6) + figures.value("leak_uv") * 1e-6
    assert results[f"{name}.leakage"]["read_v"] == pytest.approx(read, abs=1e-5)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice (Debian package) is not here; CI installs it")
@pytest.mark.parametrize("designs", first_few(1, [1, 3]))
def test_kept_results_are_what_the_simulator_gives(designs: int) -> None:
    """Circuits of the first design; of all three in `make soak`."""
    circuits = load(NOTES / "circuits" / "run.py")
    kept = json.loads(circuits.RESULTS.read_text(encoding="utf-8"))
    left_out = circuits.DESIGNS[designs:]
    circuits.DESIGNS = circuits.DESIGNS[:designs]
    fresh = circuits.run_all()
    assert fresh.keys() == {key for key in kept if not key.startswith(left_out)}
    for circuit, values in fresh.items():
        assert values == pytest.approx(kept[circuit], rel=0.02), circuit


def test_spelling() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "codespell_lib", *map(str, PAGES)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (0, "")


def circuit_results() -> dict[str, dict[str, float]]:
    results: dict[str, dict[str, float]] = json.loads((NOTES / "circuits" / "results.json").read_text(encoding="utf-8"))
    return results


@pytest.mark.parametrize("name", ["relay_24", "relay_36", "relay_40"])
def test_an_earth_that_moves_does_not_move_a_reading_by_a_millivolt(name: str) -> None:
    """50 Hz and 162 V peak, 100 kHz and 5 V peak, at the stated capacitance of the barrier; the limit is beyond it."""
    results = circuit_results()
    design = load(NOTES / "circuits" / "run.py").design_of(name)
    assert abs(results[f"{name}.earth_50"]["moved_v"]) < 1e-3
    assert abs(results[f"{name}.earth_100k"]["moved_v"]) < 1e-3
    assert results[f"{name}.earth_limit"]["barrier_pf"] > design.barrier.pf
    budget = load(NOTES / "fill.py").budgets()[name]
    assert results[f"{name}.earth_50"]["moved_v"] * 1e6 == pytest.approx(budget.value("earth_uv"), rel=0.05)
    assert results[f"{name}.earth_50"]["common_v"] == pytest.approx(budget.value("earth_v"), rel=0.05)


def test_the_circuit_as_it_was_shows_what_the_review_saw() -> None:
    """Without capacitors to the island's ground, at 60 pF: an outside simulation saw -0.20 V, -0.94 V and 30 mV."""
    results = circuit_results()
    assert results["before.earth_100k_2"]["moved_v"] == pytest.approx(-0.20, rel=0.25)
    assert results["before.earth_100k_5"]["moved_v"] == pytest.approx(-0.94, rel=0.05)
    assert abs(results["before.earth_50"]["moved_v"]) == pytest.approx(0.030, rel=0.15)


@pytest.mark.parametrize("name", ["relay_24", "relay_36", "relay_40"])
def test_a_free_line_comes_along_only_where_the_zero_resistor_brings_it(name: str) -> None:
    results = circuit_results()
    limit_v = constant("front/relay_scan.py", "_STUCK_UV") * 1e-6
    assert results[f"{name}.alone_unheld"]["seen_v"] > limit_v  # a good board would be accused
    assert results[f"{name}.alone_held"]["seen_v"] < limit_v / 5


def test_virtual_clamps_and_free_lines_are_those_of_the_simulated_board() -> None:
    world = (ROOT / "firmware" / "virtual" / "world.py").read_text(encoding="utf-8")
    stress = json.loads((NOTES / "stress" / "results.json").read_text(encoding="utf-8"))["24"]
    clamp_v = int(re.findall(r"CLAMP_UV = const\((\d+)\)", world)[0]) * 1e-6
    assert clamp_v == pytest.approx(abs(stress["swapped_below"]["seen_v"]), abs=0.4)
    assert clamp_v > constant("front/relay_scan.py", "_OVER_UV") * 1e-6
    share = int(re.findall(r"FREE_SHARE = const\((\d+)\)", world)[0]) / 256
    assert share == pytest.approx(1.3 / (1.3 + 5.0), abs=0.005)  # 12 relays and a lead against both line capacitors
    design = load(NOTES / "circuits" / "run.py").design_of("relay_24")
    bias = int(re.findall(r"BIAS_OHM = (\d+)", world)[0])
    assert 2 * bias == pytest.approx(load_ohm(design), rel=1e-3)


@pytest.mark.parametrize("name", ["relay_24", "relay_36", "relay_40"])
def test_the_pack_fed_supply_is_plugged_in_without_ringing(name: str) -> None:
    results = circuit_results()
    full = load(NOTES / "fill.py").budgets()[name].value("string_v")
    assert results[f"{name}.plug_ringing"]["peak_v"] > 1.5 * full
    assert results[f"{name}.plug_series"]["peak_v"] <= full
    assert results[f"{name}.plug_series"]["peak_a"] == pytest.approx(full / 47, rel=0.02)


def test_figures_of_the_review_are_reproduced_for_the_circuit_that_it_read() -> None:
    sys.path.insert(0, str(NOTES))
    rows = load(NOTES / "worked.py").review_rows()
    assert len(rows) >= 40
    assert [row.what for row in rows if row.verdict != "reproduced"] == []


def test_pages_say_who_may_do_it_what_to_have_and_what_to_do_when_it_burns_on_the_first_screen() -> None:
    first = "\n".join((NOTES / "README.md").read_text(encoding="utf-8").splitlines()[:28])
    for words in ("Who may do it", "Have ready", "Never carry or move it", "fire", "hangs on it", "licensed practice"):
        assert words in first, words
    everything = " ".join(page.read_text(encoding="utf-8") for page in PAGES)
    assert "pack into the" not in everything
    assert "weld them" not in everything


def test_the_divider_bank_is_not_for_building() -> None:
    assert "**Not for building.**" in (NOTES / "divider_bank.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["barrier", "board", "chain", "first", "yearly"])
def test_each_test_procedure_stands_as_a_table_to_fill_in(name: str) -> None:
    page = (NOTES / "tests.md").read_text(encoding="utf-8")
    for step in procedure(name, 24):
        assert f"| {step.do}" in page
        assert step.limits() in page
