"""`bench` with a load or a supply: on after a yes and never without, off when the step is over or anything is wrong."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.commands.bench import onlooker
from evenstring.io.load import load_session

from tests.host.fake_board import until
from tests.host.workshop.instrument.rig import Rig

pytestmark = pytest.mark.slow  # a port, a socket, threads
CAPACITY = '[[limit]]\nof = "capacity_ah"\nmost = 1e9\norigin = "agreed"\n'
# At nothing, so that it is not decidable and the charge is asked for to its end.
CHARGED = '[[limit]]\nof = "spread_end_of_charge_mv"\nmost = 0\norigin = "agreed"\n'

Make = Callable[..., Rig]


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Make]:
    monkeypatch.setattr(onlooker, "_REST", 0.2)  # looks as often as they can
    made: list[Rig] = []

    def one(**of: object) -> Rig:
        made.append(Rig(tmp_path, **of))  # type: ignore[arg-type]  # as the test says
        return made[-1]

    yield one
    for rig in made:
        rig.close()


def arguments(folder: Path, rig: Rig, limits: str, *more: str) -> list[str]:
    (folder / "limits.toml").write_text(limits, encoding="utf-8")
    which = ["--load", rig.there.url, "--current-a", "4"] if rig.there.load else ["--supply", rig.there.url]
    files = [
        "--pack",
        str(folder / "pack.toml"),
        "-o",
        str(folder / "b.frames"),
        "--accept",
        str(folder / "limits.toml"),
    ]
    return ["bench", str(rig.board.link), *files, *which, "--look-s", "0.2", "--seconds", "40", *more]


def bench(folder: Path, rig: Rig, limits: str, *more: str, typed: str = "") -> Result:
    return CliRunner().invoke(cli, arguments(folder, rig, limits, *more), input=typed)


def test_a_script_goes_from_rest_over_a_discharge_to_rest_and_ends(tmp_path: Path, make: Make) -> None:
    rig = make(load=True)
    made = bench(tmp_path, rig, CAPACITY, "--yes", "--json")

    assert made.exit_code == 0, made.output
    said = json.loads(made.stdout)
    assert (said["enough"], said["fault"], said["next"]) == (True, None, None)
    assert rig.there.heard.count("INP ON") == 1
    assert not rig.there.on
    order = [made.stderr.index(words) for words in (
        "can kill", "SWITCHES", "electronic load: Invented Works Practice 1, off", "seen lead check: all 4 groups",
        "NEXT: Leave the pack alone", "NEXT: Switch the load on", "CAUTION. The load gets hot", "takes at most 4.00 A",
        "electronic load ON", "NEXT: Switch the load off", "electronic load OFF")]  # fmt: skip
    assert order == sorted(order)
    used = load_session([tmp_path / "b.frames"]).current_a
    assert used is not None
    assert used.min() == pytest.approx(-4.0, abs=0.02)
    assert used[-1] == pytest.approx(0.0, abs=0.02)


def test_nobody_there_to_say_yes_and_it_stays_off(tmp_path: Path, make: Make) -> None:
    rig = make(load=True)
    made = bench(tmp_path, rig, CAPACITY, "--seconds", "4")

    assert made.exit_code == 0, made.output
    assert "Type yes" in made.output
    assert "not switched on; you switch" in made.output
    assert "INP ON" not in rig.there.heard
    assert "Left before enough" in made.output


def test_a_group_at_its_floor_ends_the_discharge_and_the_session_goes_on(tmp_path: Path, make: Make) -> None:
    rig = make(load=True, weak=3.0)
    made = bench(tmp_path, rig, CAPACITY, "--yes", "--json")

    said = json.loads(made.stdout)
    assert made.exit_code == 0, made.output
    assert said["ended_by_themselves"] == ["discharge"]
    assert "OFF: group 4 is at" in made.stderr
    assert "NEXT: Switch the load off" in made.stderr


def test_a_supply_charges_to_the_done_light_and_no_further(tmp_path: Path, make: Make) -> None:
    rig = make(load=False, soc=0.8)
    made = bench(tmp_path, rig, CHARGED, "--yes", "--json", "--hold-min", "0")

    assert made.exit_code == 0, made.output
    assert rig.there.volts == pytest.approx(16.8)
    assert "bench supply OFF: done" in made.stderr
    assert json.loads(made.stdout)["enough"]
    assert 3.0 + 1.2 * rig.soc.max() <= 4.205


def test_what_is_wrong_ends_a_script_with_one_line_and_off(tmp_path: Path, make: Make) -> None:
    rig = make(load=True, step_s=40.0, flow_step_s=0.4)

    def spoil() -> None:
        until(lambda: rig.there.on, 20.0)
        rig.there.real_a = 1.0

    threading.Thread(target=spoil, daemon=True).start()
    made = bench(tmp_path, rig, CAPACITY, "--yes", "--json")

    assert made.exit_code == 1
    assert "electronic load off: the current is 1.00 A, and 4.00 A was set" in str(made.exception)
    assert "--append" in str(made.exception)
    assert json.loads(made.stdout)["fault"]
    assert not rig.there.on


def test_an_instrument_that_is_not_there_is_told_before_anything_is_recorded(tmp_path: Path, make: Make) -> None:
    rig = make(load=True)
    rig.there.close()
    made = bench(tmp_path, rig, CAPACITY, "--yes")

    assert made.exit_code == 1
    assert "cannot open this port" in str(made.exception)
    assert not (tmp_path / "b.frames").exists()


@pytest.mark.parametrize(("more", "why"), [
    (("--charge-v", "17"), "above full"), (("--charge-a", "1.5"), "own charger"),
    (("--supply-words", "load"), "describes a load"), (("--interval-ms", "5000"), "at least every 2000 ms"),
])  # fmt: skip
def test_more_than_the_pack_takes_is_refused_before_anything_is_opened(
    tmp_path: Path, make: Make, more: tuple[str, ...], why: str
) -> None:
    rig = make(load=False)
    made = bench(tmp_path, rig, CHARGED, "--yes", *more)

    assert made.exit_code != 0
    assert why in str(made.exception)
    assert rig.there.heard == []


@pytest.mark.skipif(os.name != "posix", reason="signals and pseudo-terminals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGTSTP])
def test_a_signal_switches_off_and_keeps_the_recording(tmp_path: Path, make: Make, number: signal.Signals) -> None:
    rig = make(load=True, step_s=40.0, flow_step_s=0.4)
    command = [sys.executable, "-m", "evenstring", *arguments(tmp_path, rig, CAPACITY, "--yes", "--json")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        until(lambda: rig.there.on, 20.0)
        running.send_signal(number)
        until(lambda: not rig.there.on, 5.0)
        out, _ = running.communicate(timeout=15)

    assert running.returncode == 0
    assert json.loads(out)["next"]["step"] == "discharge"


@pytest.mark.skipif(os.name != "posix", reason="signals and pseudo-terminals")
def test_killed_and_started_again_it_switches_off_first_and_goes_on(tmp_path: Path, make: Make) -> None:
    rig = make(load=True, step_s=40.0, flow_step_s=0.4)
    command = [sys.executable, "-m", "evenstring", *arguments(tmp_path, rig, CAPACITY, "--yes", "--json")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as running:
        until(lambda: rig.there.on, 20.0)
        running.kill()
    rig.steps_s = (40.0, 8.0)
    before = load_session([tmp_path / "b.frames"]).scans
    assert rig.there.on  # nothing can switch off from a program that is gone: the page says so
    made = bench(tmp_path, rig, CAPACITY, "--yes", "--json", "--append")

    assert made.exit_code == 0, made.output
    assert "It was ON, and has been switched off" in made.stderr
    assert json.loads(made.stdout)["enough"]
    assert load_session([tmp_path / "b.frames"]).scans > before
    assert not rig.there.on


def test_of_two_instruments_the_one_that_is_there_is_let_go_where_the_other_is_not(tmp_path: Path, make: Make) -> None:
    rig = make(load=True)
    made = bench(tmp_path, rig, CAPACITY, "--yes", "--supply", "socket://127.0.0.1:1")

    assert made.exit_code == 1
    assert "cannot open this port" in str(made.exception)
    assert rig.there.heard[-1] != "INP ON"
    assert not [t for t in threading.enumerate() if t.name == "keeper"]
