"""A parked vehicle: off for minutes, a look in between, awake when anything moved; main.py's own start."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.run import run
from tests.firmware.start.test_start import SCRIPT
from tests.mp import Unix64

# A pack at rest. `pass_off()` lets the time off go by.
PARKED = """
world, board = s.board(dict({"parked": {"after_s": 60, "every_s": 300}, "button_pin": 14,
    "quiet_interval_ms": 1000}, **(CHANGES)))
world.trace.values[4] = 3700000
world.trace.values[0] = 0
machine.DEEPSLEEP_RESET = 4
cause = [1]
machine.reset_cause = lambda: cause[0]
cut = []
plain_set = board.pin_set
def pin_set(number, level):
    plain_set(number, level)
    if number == 21 and level and CUTS:
        cut.append(vtime.ms)
        raise machine.Reset
board.pin_set = pin_set
def files():
    return sorted(os.listdir("."))
def written():
    places = files() + ["rec/" + name for name in sorted(os.listdir("rec"))]
    return [[place, open(place, "rb").read()] for place in places if place != "rec"]
# A life of up to 200 s: how it ended, what it slept for, how long it took, what it said.
def off():
    machine.slept_ms = 0
    line = Line(); began = vtime.ms
    how = live(line, 200000)
    return [how, machine.slept_ms, vtime.ms - began, line.sent.hex()]
def pass_off(ms=300000):
    vtime.sleep_ms(ms)
    cause[0] = 4
"""


@pytest.fixture
def parked(tmp_path: Path) -> Any:
    def go(script: str, changes: str = "{}", cuts: bool = True) -> Any:
        head = SCRIPT.format(folder=str(tmp_path)) + PARKED.replace("CHANGES", changes).replace("CUTS", str(cuts))
        return json.loads(run(Unix64(), head + script, heap="2m")[-1])

    return go


SUPPLY = '{"parked": {"after_s": 60, "every_s": 300, "off_pin": 21}}'


@pytest.mark.parametrize("changes", ["{}", SUPPLY], ids=["deep sleep", "no supply"])
def test_at_rest_it_switches_itself_off_and_each_look_is_short_and_writes_nothing(parked: Any, changes: str) -> None:
    """Awake for under 2 s at a look is what `evenstring budget` reckons with; imports take as long as on an RP2040."""
    got = parked(
        "first = off(); before = written(); looks = []\n"
        "for _ in range(3):\n    pass_off(); looks.append(off())\n"
        "print(json.dumps([first, looks, 'parked.bin' in files(), before == written(), world.crimes,\n"
        "    world.even, world.odd, len(cut)]))",
        changes,
    )
    first, looks, marked, unwritten, crimes, even, odd, cuts = got

    assert first[0] == "reset"
    assert 60_000 < first[2] < 90_000
    assert marked
    assert [how for how, *_ in looks] == ["reset"] * 3
    assert max(took_ms for _, _, took_ms, _ in looks) < 2000
    assert {sent for *_, sent in looks} == {""}
    assert unwritten
    assert (even, odd, crimes) == (-1, -1, [])
    if changes == SUPPLY:
        assert cuts == 4
    else:
        assert {slept_ms for _, slept_ms, _, _ in [first, *looks]} == {300_000}


MOVES = {
    "a load": "world.trace.values[1] -= 40000",
    "a charger": "world.trace.values[7] += 40000",
    "a current that moves nothing yet": "world.trace.values[0] = -1000",
    "a warm pack": "world.trace.values[-1] = 5000",
    "the button": "board._levels[14] = 0",
    "a converter that is gone": "board.silent.add(72)",
    "an open lead": "from faults import Faults; world.faults = Faults(world, [{'kind': 'lead_open', 'tap': 4}])",
}


@pytest.mark.parametrize("move", MOVES)
def test_whatever_is_not_as_it_was_is_an_ordinary_start(parked: Any, move: str) -> None:
    got = parked(f"off(); pass_off()\n{MOVES[move]}\nline = Line(); how = live(line, 9000)\n"
                 "print(json.dumps([how, 'parked.bin' in files(), line.sent.hex()]))")  # fmt: skip
    how, marked, sent = got
    names = {frame.name for frame in StreamDecoder().feed(bytes.fromhex(sent)).frames}

    assert how == "end"
    assert not marked
    assert {"IDENT", "HEALTH"} <= names


def test_a_reset_by_hand_is_meant(parked: Any) -> None:
    how, marked = parked(
        "off(); pass_off()\ncause[0] = 1\nprint(json.dumps([live(Line(), 9000), 'parked.bin' in files()]))"
    )

    assert (how, marked) == ("end", False)


def test_a_spoilt_mark_is_an_ordinary_start(parked: Any) -> None:
    how = parked(
        "off(); pass_off()\nwith open('parked.bin', 'wb') as f: f.write(b'abc')\nprint(json.dumps(live(Line(), 9000)))"
    )

    assert how == "end"


@pytest.mark.parametrize(
    "stays",
    [
        "world.trace.values[0] = 1000",  # on the charger, whose current moves nothing for long
        "world.trace.values[4] = 2400000",  # an alarm sounds
    ],
)
def test_it_does_not_park_on_a_charger_or_with_an_alarm(parked: Any, stays: str) -> None:
    how, slept_ms, *_ = parked(f"{stays}\nprint(json.dumps(off()))")

    assert (how, slept_ms) == ("end", 0)


def test_without_a_current_sensor_it_does_not_park_near_full(parked: Any) -> None:
    """A held end looks like rest then: 4.2 V is 50 mV below the ceiling."""
    script = "for g in range(1, 25): world.trace.values[g] = UV\nprint(json.dumps(off()))"
    near_full = parked(script.replace("UV", "4200000"), '{"current": None}')
    lower = parked(script.replace("UV", "4100000"), '{"current": None}')

    assert near_full[:2] == ["end", 0]
    assert lower[:2] == ["reset", 300_000]


def test_a_host_that_spoke_keeps_it_awake(parked: Any) -> None:
    how = parked("print(json.dumps(live(Line(lambda k: 0, 2000, 3000), 120000)))")

    assert how == "end"


def test_where_the_supply_stays_on_it_stays_awake_and_watches(parked: Any) -> None:
    how, marked, scans = parked(
        "n = world.closings; print(json.dumps([live(Line(), 150000), 'parked.bin' in files(), world.closings - n]))",
        SUPPLY,
        cuts=False,
    )

    assert (how, marked) == ("end", False)
    assert scans > 100 * 50


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ('"parked": {"after_s": 5, "every_s": 300}', "parked.after_s"),
        ('"parked": {"after_s": 600}', "parked.every_s"),
        ('"parked": {"after_s": 600, "every_s": 300, "off_pin": 99}', "parked.off_pin"),
        ('"draw_mah": [1, 2]', "draw_mah"),
    ],
)
def test_a_bad_entry_is_refused(entry: str, says: str) -> None:
    script = f"from rig import RP2040_24, boards\ndata = dict(RP2040_24, **{{{entry}}})\nprint(boards.check(data))"

    assert says in run(Unix64(), script)[-1]


def test_what_it_takes_from_the_pack_stands_in_ident(parked: Any) -> None:
    sent = parked(
        "line = Line(); live(line, 3000); print(json.dumps(line.sent.hex()))", '{"draw_mah": [2003, 626, 26]}'
    )
    (ident, *_) = (f.values for f in StreamDecoder().feed(bytes.fromhex(sent)).frames if f.name == "IDENT")

    assert (ident["draw_awake"], ident["draw_asleep"], ident["draw_parked"]) == (2003, 626, 26)
