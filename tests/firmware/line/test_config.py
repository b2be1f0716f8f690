"""Board description in and out, restart and self-test by command; boots counted, boot loops stopped."""

from __future__ import annotations

import json

import pytest

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

SERVICE = """
import os
from evenboard.flash.boots import Boots
from evenboard.line.config import register, restore
FOLDER = {folder!r}
PATH = FOLDER + "/board.json"
def text(data):
    return json.dumps(data).encode()
def put(path, data):
    with open(path, "wb") as f:
        f.write(data)
def get(path):
    with open(path, "rb") as f:
        return f.read()
def serve(boots=None):
    rig = Rig(keep=True)
    rig.app.boots = boots
    register(rig.app, PATH)
    return rig
def write(rig, data, seq=10, piece=200):
    for at in range(0, len(data), piece):
        part = data[at : at + piece]
        rig.command(wire.WRITE_CONFIG, seq, struct.pack("<HHH", len(data), at, len(part)) + part)
        seq += 1
    return rig.app.commands.last_status, rig.app.commands.last_detail
"""


@pytest.fixture
def case(tmp_path):
    def go(script: str) -> dict:
        return json.loads(run(Unix64(), CASES + SERVICE.format(folder=str(tmp_path)) + script)[-1])

    return go


def test_a_good_description_takes_the_place_of_the_old_and_the_old_is_kept(case):
    got = case(
        "put(PATH, text(RP2040_24)); rig = serve(); new = dict(RP2040_24, groups=20)\n"
        "status = write(rig, text(new)); now = boards.load(PATH); old = json.loads(get(PATH + '.old'))\n"
        "rig.command(wire.RESTORE_CONFIG, 99); back = boards.load(PATH)\n"
        "show(status=status[0], now=now[0]['groups'], problem=now[1], old=old['groups'], back=back[0]['groups'])"
    )

    assert got == {"status": 0, "now": 20, "problem": "", "old": 24, "back": 24}


def test_a_bad_description_changes_nothing_and_the_answer_says_why(case):
    got = case(
        "put(PATH, text(RP2040_24)); rig = serve(); before = get(PATH)\n"
        "status = write(rig, text(dict(RP2040_24, groups=41)))\n"
        "show(status=status, same=get(PATH) == before, left=sorted(os.listdir(FOLDER)))"
    )

    assert got["status"] == [2, "groups must be 1 to 40"]
    assert got["same"]
    assert got["left"] == ["board.json"]


def test_a_transfer_that_stops_half_way_changes_nothing(case):
    got = case(
        "put(PATH, text(RP2040_24)); rig = serve(); before = get(PATH); data = text(dict(RP2040_24, groups=20))\n"
        "rig.command(wire.WRITE_CONFIG, 1, struct.pack('<HHH', len(data), 0, 200) + data[:200])\n"
        "rig.command(wire.WRITE_CONFIG, 2, struct.pack('<HHH', len(data), 400, 100) + data[400:500])\n"
        "gap = rig.app.commands.last_status; same = get(PATH) == before\n"
        "show(gap=gap, same=same, then=write(rig, data)[0], now=boards.load(PATH)[0]['groups'])"
    )

    assert got == {"gap": 2, "same": True, "then": 0, "now": 20}


def test_the_description_reads_back_piece_by_piece(case):
    got = case(
        "data = text(RP2040_24); put(PATH, data); rig = serve(); out = b''; body = rig.app.link.body\n"
        "send = rig.app.link.send; pieces = []\n"
        "def look(n):\n"
        "    if body[0] == wire.CONFIG: pieces.append(bytes(body[13:n]))\n"
        "    return send(n)\n"
        "rig.app.link.send = look\n"
        "for k in range(0, len(data), 200): rig.command(wire.READ_CONFIG, k + 1, struct.pack('<H', k))\n"
        "show(same=b''.join(pieces) == data, n=len(pieces))"
    )

    assert got["same"]
    assert got["n"] >= 3


def test_three_fast_resets_end_in_safe_mode_and_a_minute_of_running_or_a_command_ends_that(case):
    got = case(
        "p = FOLDER + '/boots.json'; safe = [Boots(p).safe for _ in range(5)]\n"
        "b = Boots(p); b.running(60001, 0); after = Boots(p).safe\n"
        "for _ in range(4): last = Boots(p)\n"
        "last.leaving(wire.RESET_REASON_COMMAND); then = Boots(p, wire.RESET_REASON_WATCHDOG)\n"
        "show(safe=safe, after=after, looped=last.safe, then=then.safe, reason=then.reason, count=then.count)"
    )

    assert got["safe"] == [False, False, False, True, True]
    assert (got["after"], got["looped"], got["then"]) == (False, True, False)
    assert got["reason"] == 2  # command, whatever the hardware says
    assert got["count"] == 12


@pytest.mark.parametrize("text", ["", "{", '{"count": "x"}', "[]", '{"count": 1, "fast": 1, "reason": []}'])
def test_a_spoilt_boot_count_begins_anew(case, text):
    got = case(f"put(FOLDER + '/b', {text.encode()!r}); b = Boots(FOLDER + '/b'); show(count=b.count, safe=b.safe)")

    assert got["safe"] is False
    assert got["count"] in (1, 2)


def test_self_test_and_restart_by_command(case):
    got = case(
        "boots = Boots(FOLDER + '/b'); rig = serve(boots)\n"
        "rig.command(wire.SELF_TEST, 1); good = rig.app.commands.last_status\n"
        "rig.board.silent.add(72); rig.command(wire.SELF_TEST, 2)\n"
        "bad = rig.app.commands.last_status; state = rig.app.state\n"
        "rig.command(wire.RESTART, 3)\n"
        "show(good=good, bad=bad, state=state, leaving=rig.app.leaving, reason=Boots(FOLDER + '/b').reason)"
    )

    assert got == {"good": 0, "bad": 4, "state": 2, "leaving": True, "reason": 2}


CUTS = """
class Cut(BaseException):
    pass
left = [0]
def step():
    left[0] -= 1
    if left[0] == 0: raise Cut
import evenboard.base.files as files, evenboard.line.config as module
class Os:
    def rename(self, a, b): step(); os.rename(a, b)
    def remove(self, a): step(); os.remove(a)
    stat = os.stat
class File:
    def __init__(self, f): self.f = f
    def __enter__(self): return self
    def __exit__(self, *_): self.f.close()
    def write(self, data):
        self.f.write(bytes(data)[: len(data) // 2]); self.f.flush()
        step()
        self.f.write(bytes(data)[len(data) // 2 :])
    def __getattr__(self, name): return getattr(self.f, name)
def cutting(path, how): return File(open(path, how)) if how[0] in "wa" else open(path, how)
files.os = module.os = Os(); files.open = module.open = cutting
out = []
for n in range(1, 60):
    left[0] = 0
    put(PATH, text(dict(RP2040_24, groups=20))); put(PATH + ".old", text(dict(RP2040_24, groups=12)))
    rig = serve()
    left[0] = n
    try:
        DO
        done = True
    except Cut:
        done = False
    left[0] = 0
    out.append([boards.load(PATH)[0]["groups"], done])
    if done: break
show(out=out)
"""


@pytest.mark.parametrize(
    ("action", "new"),
    [("write(rig, text(dict(RP2040_24, groups=8)))", 8), ("rig.command(wire.RESTORE_CONFIG, 9)", 12)],
    ids=["write", "restore"],
)
def test_a_power_cut_at_any_change_of_a_file_leaves_a_whole_description(case, action, new):
    """There is never a moment without one: that would be a board that does not watch."""
    out = case(CUTS.replace("DO", action))["out"]

    assert len(out) >= 3
    assert out[-1] == [new, True]
    assert all(groups in (20, new) for groups, _ in out)


def test_a_second_restore_changes_nothing(case):
    got = case(
        "put(PATH, text(RP2040_24)); rig = serve(); write(rig, text(dict(RP2040_24, groups=20)))\n"
        "status = []; now = []\n"
        "for seq in (98, 99):\n"
        "    rig.command(wire.RESTORE_CONFIG, seq); status.append(rig.app.commands.last_status)\n"
        "    now.append(boards.load(PATH)[0]['groups'])\n"
        "show(status=status, now=now)"
    )

    assert got == {"status": [0, 0], "now": [24, 24]}
