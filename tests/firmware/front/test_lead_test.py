"""A bad contact in a sense lead: found by the self-test with the zero resistor as a known load, named, and no fault.

The expected figures are a voltage divider by hand: 2 x 10 kohm of leads, 1 kohm across the lines; bias of 4 Mohm.
"""

from __future__ import annotations

import json

import pytest

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run

ALARM = 9  # bad_contact
SELF_TEST = 83


@pytest.fixture
def case(runtime):
    def go(script: str) -> dict:
        return json.loads(run(runtime, CASES + script, heap="2m")[-1])

    return go


def contact(tap: int, ohm: int, rest: str = "") -> str:
    return (
        'rig = Rig(changes={"alarms": {}}, groups=12)\n'
        f'rig.break_it([{{"kind": "lead_ohm", "tap": {tap}, "ohm": {ohm}}}])\n'
        "ok = rig.app._self_test(); c = rig.front.leads; a = rig.app.watch.alarms\n"
        f"{rest}\n"
        "show(ok=ok, ohm=list(c.lead_ohm), words=c.words, active=a.active, crimes=rig.world.crimes)"
    )


@pytest.mark.parametrize("tap", [0, 1, 5, 11, 12])
@pytest.mark.parametrize(("ohm", "within"), [(3000, 0.05), (100_000, 0.05), (1_000_000, 0.30)])
def test_a_bad_contact_is_named_with_its_size(case, tap, ohm, within):
    """A megohm also takes a fifth of the voltage that it is judged by (4 Mohm of bias): it reads so much less."""
    got = case(contact(tap, ohm))

    assert got["ok"]
    assert got["active"] == 1 << ALARM
    assert got["ohm"][tap] == pytest.approx(ohm, rel=within)
    assert max(v for t, v in enumerate(got["ohm"]) if t != tap) < 100
    assert got["words"].startswith(f"bad contact: sense lead {tap} has about ")
    assert got["crimes"] == []


@pytest.mark.parametrize("ohm", [100, 1500])
def test_a_good_contact_raises_nothing(case, ohm):
    got = case(contact(4, ohm))

    assert (got["ok"], got["active"], got["words"]) == (True, 0, "")
    assert got["ohm"][4] == pytest.approx(ohm, abs=60)


def test_the_alarm_ends_with_the_next_self_test_once_the_contact_is_mended(case):
    got = case(contact(4, 50_000, "rig.break_it(()); rig.app._self_test()"))

    assert (got["active"], got["words"]) == (0, "")


def test_a_resistor_that_all_leads_share_in_error_hides_no_contact(case):
    """Zero resistor and relays 10 % off: all loops come out alike, and the middle one is taken for good."""
    got = case(
        "from evenboard.front.leads import Leads\nfrom evenboard.front.relay_test import judge, take\n"
        "c = Leads(12, 10000, 1000)\n"
        "for g in range(1, 13):\n"
        "    loop = 20000 + (30000 if g in (7, 8) else 0)\n"
        "    take(c, g, 3700000, 3700000 * 1100 // (loop + 1100))\n"
        "judge(c); show(ohm=list(c.lead_ohm), words=c.words)"
    )

    assert "sense lead 7 has about 2" in got["words"]  # 30 kohm, less the error of a tenth
    assert max(v for t, v in enumerate(got["ohm"]) if t != 7) < 2000


def test_two_bad_contacts_side_by_side_are_told_apart(case):
    got = case(
        'rig = Rig(groups=12, changes={"alarms": {}})\n'
        'rig.break_it([{"kind": "lead_ohm", "tap": 5, "ohm": 20000}, {"kind": "lead_ohm", "tap": 6, "ohm": 40000}])\n'
        "rig.app._self_test(); show(ohm=list(rig.front.leads.lead_ohm))"
    )

    assert got["ohm"][5] == pytest.approx(20000, rel=0.05)
    assert got["ohm"][6] == pytest.approx(40000, rel=0.05)
    assert max(got["ohm"][:5] + got["ohm"][7:]) < 2000


@pytest.mark.parametrize("dead", [3, 5])
@pytest.mark.parametrize("tap", [0, 7, 12])
def test_an_open_lead_a_dead_group_and_a_bad_contact_are_three_things(case, tap, dead):
    got = case(
        f"v = [3700000] * 12; v[{dead - 1}] = 0\n"
        'rig = Rig(v, groups=12, changes={"alarms": {}})\n'
        f'rig.break_it([{{"kind": "lead_open", "tap": {tap}}}, {{"kind": "lead_ohm", "tap": 9, "ohm": 20000}}])\n'
        "rig.app._self_test(); ok = rig.app.scan_once()\n"
        "show(ok=ok, raw=list(rig.front.readings)[:12], ohm=list(rig.front.leads.lead_ohm))"
    )

    touched = [g for g in (tap, tap + 1) if 1 <= g <= 12]
    assert [g + 1 for g, code in enumerate(got["raw"]) if code == -32766] == touched
    assert abs(got["raw"][dead - 1]) < 5  # under 1 mV, as a number
    assert [t for t, ohm in enumerate(got["ohm"]) if ohm > 2000] == [9]


def test_a_scan_never_puts_the_load_across_a_group(case):
    got = case(
        "rig = Rig(groups=12); before = rig.world.loads\n"
        "for _ in range(5):\n    rig.app.scan_once()\n"
        "show(before=before, after=rig.world.loads)"
    )

    # At boot each group once; the expander takes two bytes, so the second one may count again.
    assert 12 <= got["before"] <= 24
    assert got["after"] == got["before"]


def test_by_command_the_reply_names_it_and_it_is_told_as_an_alarm(case):
    got = case(
        "from evenboard.line.config import register\n"
        'rig = Rig(groups=12, changes={"alarms": {}}, keep=True)\n'
        'register(rig.app, "none.json")\n'
        'rig.break_it([{"kind": "lead_ohm", "tap": 12, "ohm": 8000}])\n'
        f"rig.command({SELF_TEST}, 7); rig.app.poll()\n"
        "from evenstring_protocol import framing; out = bytearray(400); told = []\n"
        'for piece in bytes(rig.sink.kept).split(b"\\x00"):\n'
        "    if piece:\n"
        "        framing.decode(piece, len(piece), out)\n"
        "        if out[0] == 4:\n            told.append(['reply', out[10], bytes(out[12:12 + out[11]]).decode()])\n"
        "        if out[0] == 5:\n            told.append(['alarm', out[7], out[9], out[12] | out[13] << 8])\n"
        "show(told=told)"
    )

    reply, alarm = got["told"]
    assert reply == ["reply", 0, "bad contact: sense lead 12 has about 7 kohm too much"]
    assert alarm[:3] == ["alarm", ALARM, 12]
    assert 70 <= alarm[3] <= 80  # hundreds of ohms
