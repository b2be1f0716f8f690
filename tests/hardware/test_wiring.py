"""Lead order and the check of hand-meter readings. All packs here are invented."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.commands.bench.wiring import command
from evenstring.errors import InputError
from evenstring.hardware.lead_faults import HandReadings
from evenstring.hardware.meter_check import all_measured, at_the_edge, check_readings
from evenstring.hardware.procedures import PROCEDURES, procedure, windows
from evenstring.hardware.walk import parse_answer, parse_answers
from evenstring.hardware.wiring import drawing, tap_list

from tests.hardware.firmware_source import constant

GROUPS = 6
GOOD = {tap: 3.8 * tap for tap in range(GROUPS + 1)}


def check(readings: dict[int, float]) -> tuple[str, ...]:
    whole, problems = all_measured(readings, False, GROUPS)
    return check_readings(whole, 2.5, 4.25) if whole else problems


def swapped(a: int, b: int) -> dict[int, float]:
    return GOOD | {a: GOOD[b], b: GOOD[a]}


def test_every_lead_once_pack_negative_first() -> None:
    taps = tap_list(GROUPS, 2.5, 4.2)
    assert [t.number for t in taps] == list(range(GROUPS + 1))
    assert [t.pin for t in taps] == list(range(1, GROUPS + 2))
    assert "negative" in taps[0].place
    assert "positive" in taps[-1].place


def test_neighbouring_taps_are_never_on_one_line_and_relays_never_shared() -> None:
    taps = tap_list(40, 2.5, 4.2)
    assert all(a.line != b.line for a, b in pairwise(taps))
    assert len({(t.line, t.relay) for t in taps}) == 41
    # The firmware's address for "no relay" must be no tap's.
    assert max(t.relay for t in taps) < constant("front/mux.py", "_NONE")


def test_good_readings_pass() -> None:
    assert check(GOOD) == ()


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (swapped(3, 4), "leads 3 and 4 swapped (pins 4 and 5)"),
        (swapped(1, 5), "leads 1 and 5 swapped"),
        (GOOD | {5: 0.0}, "lead 5 open (pin 6 reads nothing"),
        (GOOD | {6: 0.02}, "lead 6 open (pin 7 reads nothing"),
        (GOOD | {4: 0.0, 5: 0.1, 6: 0.0}, "leads 4, 5, 6 open, or the plug is half in"),
        (
            dict.fromkeys(GOOD, 0.0),
            "lead 0 open (pin 1 reads nothing: fuse, resistor, crimp)",
        ),
        (GOOD | {3: 13.3, 4: 13.3}, "leads 3 and 4 touch each other behind their resistors"),
        ({tap: -volts for tap, volts in GOOD.items()}, "the whole harness, pack positive is on pin 1"),
        (GOOD | {3: GOOD[2]}, "lead 3 on tap 2, where lead 2 is (pin 4 reads as pin 3)"),
        (GOOD | {0: 0.0, 1: 0.0}, "lead 1 open (pin 2 reads nothing: fuse, resistor, crimp)\n  or: lead 1 on tap 0"),
        ({tap: volts - 1.0 * (tap > 2) * 1.5 for tap, volts in GOOD.items()}, "do not charge"),
        ({tap: volts + 1.0 for tap, volts in GOOD.items()}, "black lead"),
        ({tap: volts for tap, volts in GOOD.items() if tap != 2}, "not measured: tap 2"),
        (GOOD | {9: 1.0}, "there is no tap 9"),
        ({tap: volts + (tap >= 5) * 3.8 for tap, volts in GOOD.items()}, "leads are out of order"),
        ({tap: volts + (tap >= 5) * 0.6 for tap, volts in GOOD.items()}, "above 4.25 V"),
        (GOOD | {3: 0.0, 4: GOOD[3], 5: GOOD[4], 6: GOOD[5]}, "every lead from 3 on one pin too high (pin 4 is empty)"),
        (GOOD | {3: GOOD[4], 4: GOOD[5], 5: GOOD[6], 6: 0.0}, "no lead from tap 3, and those above one pin too low"),
        (GOOD | {1: GOOD[4], 2: GOOD[3], 3: GOOD[2], 4: GOOD[1]}, "leads 1 to 4 in reverse order (pins 2 to 5)"),
    ],
)
def test_each_usual_mistake_is_named(readings: dict[int, float], says: str) -> None:
    assert any(says in problem for problem in check(readings))


def test_a_group_outside_by_less_than_the_meter_tells_is_to_be_measured_by_itself(tmp_path: Path) -> None:
    file = tmp_path / "meter.csv"
    file.write_text("tap;volts\n" + "".join(f"{k};{4.2 * k + 0.12 * (k > 9):.2f}\n" for k in range(13)))
    done = CliRunner().invoke(command, ["--groups", "12", "--check", str(file)])

    assert done.exit_code == 0, done.output
    assert "look: group 10: 4.32 V, above 4.25 V by less than this meter tells: measure this group" in done.output
    assert at_the_edge(HandReadings(True, (3.9, 3.9)), 2.5, 4.25) == ()


def test_group_by_group_an_end_groups_lead_and_a_dead_group_are_both_said() -> None:
    """They read the same; further in, an open lead takes both of its groups."""
    (first,) = check_readings(HandReadings(True, (0.0, 3.8, 3.8, 3.8)), 2.5, 4.25)
    (third,) = check_readings(HandReadings(True, (3.8, 3.8, 0.0, 0.0, 3.8)), 2.5, 4.25)
    several = check_readings(HandReadings(True, (3.8, 0.0, 0.0, 0.0, 3.8)), 2.5, 4.25)

    assert first.startswith("lead 0 open")
    assert "group 1 is dead" in first
    assert third.startswith("lead 3 open (pin 4 reads nothing: fuse, resistor, crimp)\n  or: every lead from 3 on")
    assert several == ("leads 2, 3 open, or the plug is half in: their pins read nothing",)


def test_drawing_has_each_group_and_pin_once() -> None:
    text = drawing(12)
    assert text.count("[group") == 12
    assert text.count("[fuse]--[R]--[R]") == 13  # all at the cell end, before the lead
    assert text.splitlines()[0].startswith("pack +")


def test_command_warns_before_it_lists() -> None:
    done = CliRunner().invoke(command, ["--groups", "20", "--draw"])
    assert done.exit_code == 0
    assert done.output.index("can kill") < done.output.index("pack negative")
    assert "never" in done.output.lower()


def test_command_ends_with_1_on_a_bad_reading_and_0_on_good_ones(tmp_path) -> None:  # type: ignore[no-untyped-def]  # pytest fixture
    for readings, code, says in ((GOOD, 0, "within the limits"), (swapped(1, 2), 1, "Do not plug in")):
        file = tmp_path / "meter.csv"
        file.write_text("tap,volts\n" + "".join(f"{t},{v}\n" for t, v in readings.items()))
        done = CliRunner().invoke(command, ["--groups", str(GROUPS), "--check", str(file)])
        assert done.exit_code == code
        assert says in done.output


def test_command_takes_groups_and_limits_from_a_pack(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    pack = tmp_path / "pack.toml"
    pack.write_text('[pack]\ngroups = 3\nchemistry = "lfp"\n')
    done = CliRunner().invoke(command, ["--pack", str(pack)])
    assert "6.0 to 10.8" in done.output
    assert CliRunner().invoke(command, []).exit_code == 2


def test_missing_table_is_an_input_error(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    done = CliRunner().invoke(command, ["--groups", "3", "--check", str(tmp_path / "none.csv")])
    assert isinstance(done.exception, InputError)


def walk(tmp_path, answers: str, *more: str):  # type: ignore[no-untyped-def]  # as above
    file = tmp_path / "walk.csv"
    done = CliRunner().invoke(command, ["--groups", "24", "--walk", "first", "-o", str(file), *more], input=answers)
    return done, file.read_text() if file.exists() else ""


def answers_that_pass(name: str, groups: int) -> list[str]:
    """For each step the middle of its limits, or yes."""
    out = []
    for step in procedure(name, groups):
        low = step.low if step.low is not None else (step.high or 0) - 1
        high = step.high if step.high is not None else low
        out.append(str((low + high) / 2) if step.asks_number else "y")
    return out


def test_walk_keeps_every_answer_and_goes_on_where_it_was_left(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    given = answers_that_pass("first", 24)
    done, kept = walk(tmp_path, "\n".join(given[:4]) + "\n")
    assert done.exit_code == 1
    assert "Left at step 5" in done.output
    assert kept.count("\n") == 5
    done, kept = walk(tmp_path, "\n".join(given[4:]) + "\n")
    assert done.exit_code == 0, done.output
    assert "no certificate" in done.output
    assert done.output.index("can kill") < done.output.index("4 of 15 steps are answered")
    assert walk(tmp_path, "")[0].exit_code == 0  # a complete table needs nobody: scriptable


def test_walk_stops_at_a_step_that_does_not_pass_and_says_what_it_means(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    given = answers_that_pass("first", 24)
    number = [step.key for step in procedure("first", 24)].index("earth")
    done, _ = walk(tmp_path, "\n".join([*given[:number], "3", "y"]) + "\n")
    assert done.exit_code == 1
    assert "STOP at earth: passes with 1 mV or less. capacitance or leakage across the barrier" in done.output
    done, _ = walk(tmp_path, "y\n")
    assert "STOP at earth" in done.output  # nothing after it is asked


@pytest.mark.parametrize("name", list(PROCEDURES))
@pytest.mark.parametrize("groups", [1, 16, 24, 25, 36, 40])
def test_every_procedure_can_be_passed_and_names_each_step_once(name: str, groups: int) -> None:
    steps = procedure(name, groups)
    assert len({s.key for s in steps}) == len(steps)
    for step, text in zip(steps, answers_that_pass(name, groups), strict=True):
        value = parse_answer(step, text)
        assert value is not None
        assert step.passes(value), step


@pytest.mark.parametrize("groups", [1, 15, 16, 24, 36, 40])
def test_the_bench_chain_reaches_every_tap_and_stays_below_60_v(groups: int) -> None:
    spans = windows(groups)
    assert {t for a, b in spans for t in range(a, b + 1)} == set(range(groups + 1))
    supply = next(s for s in procedure("chain", groups) if s.key == "supply")
    assert supply.high is not None
    assert supply.high < 60
    assert max(b - a for a, b in spans) <= 15


def test_a_wrong_answer_table_is_named(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    steps = procedure("first", 24)
    for text, says in (("step,answer\nnone,y\n", "no step"), ("step,answer\nearth,much\n", "earth takes")):
        with pytest.raises(InputError, match=says):
            parse_answers(text, steps, "walk.csv")
