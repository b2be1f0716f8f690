"""Lead order and the check of hand-meter readings. All packs here are invented."""

from __future__ import annotations

from itertools import pairwise

import pytest
from click.testing import CliRunner
from evenstring.commands.bench.wiring import command
from evenstring.errors import InputError
from evenstring.hardware.wiring import check_readings, drawing, parse_readings, tap_list

from tests.hardware.firmware_source import constant

GROUPS = 6
GOOD = {tap: 3.8 * tap for tap in range(GROUPS + 1)}


def check(readings: dict[int, float]) -> tuple[str, ...]:
    return check_readings(readings, GROUPS, 2.5, 4.25)


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
        (swapped(3, 4), "two leads are swapped"),
        ({tap: -volts for tap, volts in GOOD.items()}, "reverse order"),
        (GOOD | {3: GOOD[2]}, "two leads on one tap, an open lead or fuse, or a dead group"),
        ({tap: volts - 1.0 * (tap > 2) * 1.5 for tap, volts in GOOD.items()}, "do not charge"),
        ({tap: volts + 1.0 for tap, volts in GOOD.items()}, "black lead"),
        ({tap: volts for tap, volts in GOOD.items() if tap != 2}, "not measured: tap 2"),
        (GOOD | {9: 1.0}, "there is no tap 9"),
        ({tap: volts + (tap >= 5) * 3.8 for tap, volts in GOOD.items()}, "a tap was left out"),
        ({tap: volts + (tap >= 5) * 0.6 for tap, volts in GOOD.items()}, "above 4.25 V"),
    ],
)
def test_each_usual_mistake_is_named(readings: dict[int, float], says: str) -> None:
    assert any(says in problem for problem in check(readings))


def test_drawing_has_each_group_and_pin_once() -> None:
    text = drawing(12)
    assert text.count("[group") == 12
    assert text.count("[fuse]") == 13
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


@pytest.mark.parametrize(
    "text", ["", "tap;volts\n1;2\n", "tap,volts\n1,x\n", "tap,volts\n1,2\n1,3\n", "tap,volts\n1,nan\n"]
)
def test_bad_tables_are_named(text: str) -> None:
    with pytest.raises(InputError, match=r"meter\.csv"):
        parse_readings(text, "meter.csv")


def test_missing_table_is_an_input_error(tmp_path) -> None:  # type: ignore[no-untyped-def]  # as above
    done = CliRunner().invoke(command, ["--groups", "3", "--check", str(tmp_path / "none.csv")])
    assert isinstance(done.exception, InputError)
