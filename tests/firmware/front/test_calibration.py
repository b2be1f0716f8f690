"""Calibration by command: validated, whole or not at all, stored twice, taken back; on the real MicroPython."""

from __future__ import annotations

import json
from typing import Any

import pytest
from evenstring.wire.structs import parse_payload
from evenstring_protocol import wire

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import board_heap, run
from tests.firmware.test_heap import _script
from tests.mp import Unix64

HELP = """
import os
from evenboard.flash.boots import Boots
from evenboard.front.calibration import Calibration
from evenboard.flash.latch import FileSlot, Latch
FOLDER = {folder!r}
PATH = FOLDER + "/calibration.bin"
N = 4
def latch():
    kept = Latch((FileSlot(FOLDER + "/latch0.bin"), FileSlot(FOLDER + "/latch1.bin")))
    kept.load()
    return kept
def boot(own=None, memory=True, meter=None):
    changes = {{"calibration": own}} if own else {{}}
    changes["meter"] = meter or {{"noise_uv": 130, "channel_u_uv": 900, "gain_u_ppm": 8000}}
    rig = Rig([3700000] * N, groups=N, changes=changes)
    Calibration(rig.app, rig.data, PATH, latch() if memory else None)
    rig.told = None
    send = rig.app.link.send
    body = rig.app.link.body
    def look(n):
        if body[0] == wire.CALIBRATION: rig.told = bytes(body[7:n]).hex()
        return send(n)
    rig.app.link.send = look
    return rig
def payload(offset, gain, groups=N, u=(300, 600), at=1700000000):
    head = struct.pack("<BHHI", groups, u[0], u[1], at)
    return head + struct.pack("<%di" % groups, *[offset + g for g in range(groups)]) + struct.pack(
        "<%dh" % groups, *[gain] * groups)
seq = [100]
def ask(rig, code, data=b""):
    seq[0] += 1
    rig.told = None
    rig.command(code, seq[0], data)
    return rig.app.commands.last_status
def write(rig, offset, gain, **more):
    return ask(rig, wire.WRITE_CALIBRATION, payload(offset, gain, **more))
def now(rig):
    ask(rig, wire.READ_CALIBRATION)
    return rig.told
def mean_uv(rig):
    for _ in range(3): rig.app.scan_once()
    return sum(rig.readings_uv()) // N
def files():
    return sorted(os.listdir(FOLDER))
def get(name):
    with open(FOLDER + "/" + name, "rb") as f: return f.read()
def put(name, data):
    with open(FOLDER + "/" + name, "wb") as f: f.write(data)
"""


@pytest.fixture
def case(tmp_path):
    def go(script: str) -> Any:
        return json.loads(run(Unix64(), CASES + HELP.format(folder=str(tmp_path)) + script)[-1])

    return go


def told(text: str) -> dict[str, Any]:
    """A CALIBRATION payload, read by the host's own reader."""
    values = parse_payload(wire.CALIBRATION, bytes.fromhex(text))
    assert values is not None
    return values


def test_what_is_written_is_in_force_at_once_read_back_and_there_after_a_restart(case):
    """By hand: (3.7 V + 20 mV) x (1 + 1000 ppm) = 3.72372 V."""
    got = case(
        "rig = boot(); before = mean_uv(rig); flag = rig.front.flags & wire.SCAN_UNCALIBRATED\n"
        "status = write(rig, 20000, 1000); same = rig.told; after = mean_uv(rig); back = now(rig)\n"
        "again = boot(); rig2 = now(again); uv = mean_uv(again)\n"
        "show(before=before, flag=flag, status=status, same=same, after=after, back=back, rig2=rig2, uv=uv,\n"
        "    flag2=again.front.flags & wire.SCAN_UNCALIBRATED, meter=again.data['meter'], files=files())"
    )

    assert got["before"] == pytest.approx(3_700_000, abs=200)
    assert got["status"] == 0
    assert (got["flag"], got["flag2"]) == (wire.SCAN_UNCALIBRATED, 0)
    assert got["after"] == pytest.approx(3_723_720, abs=200)
    assert got["uv"] == pytest.approx(3_723_720, abs=200)
    assert got["same"] == got["back"] == got["rig2"]
    values = told(got["back"])
    assert values["offset_uv"] == (20000, 20001, 20002, 20003)
    assert values["gain_ppm"] == (1000,) * 4
    assert (values["source"], values["copies"], values["unix_s"]) == (2, wire.CALIBRATION_OLDER, 1_700_000_000)
    assert got["meter"] == {"noise_uv": 130, "channel_u_uv": 300, "gain_u_ppm": 600}
    assert got["files"] == ["calibration.bin", "latch0.bin"]


@pytest.mark.parametrize(
    "bad",
    [
        "payload(50001, 0)", "payload(-50001, 0)", "payload(0, 10001)", "payload(0, -10001)", "payload(1, 1, groups=5)",
        "payload(1, 1, groups=3)", "payload(1, 1)[:-1]", "payload(1, 1)[:5]", "b''",
    ],
)  # fmt: skip
def test_a_bad_one_changes_nothing(case, bad):
    got = case(
        "rig = boot(); write(rig, 500, 30); kept = get('calibration.bin'); before = now(rig)\n"
        f"status = ask(rig, wire.WRITE_CALIBRATION, {bad}); detail = rig.app.commands.last_detail\n"
        "show(status=status, detail=detail, same=get('calibration.bin') == kept, now=now(rig) == before)"
    )

    assert got["status"] == 2
    assert got["detail"]
    assert got["same"]
    assert got["now"]


def test_restore_goes_back_to_the_one_before_and_then_to_nothing_further(case):
    """A command that comes again, under whatever number, changes nothing."""
    got = case(
        "rig = boot(); one = write(rig, 1000, 0); write(rig, 2000, 0); write(rig, 2000, 0)\n"
        "first = [ask(rig, wire.RESTORE_CALIBRATION), rig.told]\n"
        "second = [ask(rig, wire.RESTORE_CALIBRATION), rig.told]\n"
        "show(first=first, second=second, boot=now(boot()))"
    )

    assert told(got["first"][1])["offset_uv"][0] == 1000
    assert not told(got["first"][1])["copies"] & wire.CALIBRATION_OLDER
    assert got["first"] == got["second"]
    assert got["boot"] == got["first"][1]


def test_restore_of_the_first_one_goes_back_to_the_descriptions_own(case):
    got = case(
        "own = {'offset_uv': [700] * N, 'gain_ppm': [0] * N}\n"
        "rig = boot(own); before = now(rig); write(rig, 2000, 0)\n"
        "ask(rig, wire.RESTORE_CALIBRATION); after = rig.told\n"
        "show(before=before, after=after, boot=now(boot(own)), meter=rig.data['meter'], files=files())"
    )

    assert got["before"] == got["after"] == got["boot"]
    values = told(got["before"])
    assert (values["source"], values["offset_uv"], values["channel_u_uv"]) == (1, (700,) * 4, 900)
    assert got["meter"]["channel_u_uv"] == 900
    assert "calibration.bin" not in got["files"]


@pytest.mark.parametrize(
    "damage",
    [
        "put('calibration.bin', b'')",
        "os.remove(PATH)",
        "b = bytearray(get('calibration.bin')); b[20] ^= 4; put('calibration.bin', b)",
    ],
    ids=["empty", "gone", "one bit"],
)
def test_a_bad_main_copy_falls_back_to_the_second_and_says_so(case, damage):
    got = case(
        "rig = boot(); write(rig, 3000, -40)\n"
        f"{damage}\n"
        "rig = boot(); first = now(rig); uv = mean_uv(rig); healed = now(boot())\n"
        "show(first=first, uv=uv, healed=healed)"
    )

    values = told(got["first"])
    assert values["copies"] & wire.CALIBRATION_MAIN_BAD
    assert values["offset_uv"] == (3000, 3001, 3002, 3003)
    assert got["uv"] == pytest.approx((3_700_000 + 3000) * (1 - 40e-6), abs=200)
    assert not told(got["healed"])["copies"] & wire.CALIBRATION_MAIN_BAD  # the main copy was made anew


def test_a_bad_second_copy_is_made_anew_from_the_main_one(case):
    got = case(
        "rig = boot(); write(rig, 3000, -40); put('latch0.bin', bytes(1024)); boot()\n"
        "os.remove(PATH); show(now=now(boot()))"
    )

    assert told(got["now"])["offset_uv"][0] == 3000


def test_both_copies_bad_leave_the_descriptions_own(case):
    got = case(
        "own = {'offset_uv': [700] * N, 'gain_ppm': [0] * N}\n"
        "rig = boot(own); write(rig, 3000, -40); put('latch0.bin', bytes(1024)); put('calibration.bin', b'x' * 60)\n"
        "show(now=now(boot(own)))"
    )

    assert (told(got["now"])["source"], told(got["now"])["offset_uv"][0]) == (1, 700)


def test_a_new_description_with_another_correction_goes_before_an_older_command(case):
    got = case(
        "a = {'offset_uv': [700] * N, 'gain_ppm': [0] * N}; b = {'offset_uv': [800] * N, 'gain_ppm': [0] * N}\n"
        "write(boot(a), 3000, 0); same = now(boot(a)); new = now(boot(b)); show(same=same, new=new)"
    )

    assert told(got["same"])["offset_uv"][0] == 3000
    assert told(got["new"])["offset_uv"][0] == 800
    assert not told(got["new"])["copies"] & wire.CALIBRATION_MAIN_BAD


def test_a_board_without_record_memory_keeps_one_copy_and_says_so(case):
    got = case(
        "rig = boot(memory=False); status = write(rig, 1000, 0); show(s=status, t=rig.told, b=now(boot(memory=False)))"
    )

    assert got["s"] == 0
    assert told(got["t"])["copies"] & wire.CALIBRATION_NO_SECOND
    assert got["t"] == got["b"]


def test_flash_that_takes_nothing_leaves_the_one_before_in_force(case):
    got = case(
        "rig = boot(); write(rig, 1000, 0); before = now(rig); cal = rig.app.calibration\n"
        "cal._path = FOLDER + '/nowhere/calibration.bin'\n"
        "status = write(rig, 2000, 0); detail = rig.app.commands.last_detail\n"
        "show(status=status, detail=detail, same=now(rig) == before,\n"
        "    boot=now(boot()) == before)"
    )

    assert got["status"] == 4
    assert "could not be written" in got["detail"]
    assert got["same"]
    assert got["boot"]


CUTS = """
class Cut(BaseException):
    pass
left = [0]
def cut_at(n):
    # The power goes before the n-th change of any file.
    left[0] = n
def step():
    left[0] -= 1
    if left[0] == 0: raise Cut
import evenboard.base.files as module, evenboard.flash.latch as store
real = os
class Os:
    def rename(self, a, b): step(); real.rename(a, b)
    def remove(self, a): step(); real.remove(a)
class File:
    def __init__(self, f): self.f = f
    def __enter__(self): return self
    def __exit__(self, *_): self.f.close()
    def write(self, data):
        step()
        self.f.write(bytes(data)[: len(data) // 2]); self.f.flush()
        step()
        self.f.write(bytes(data)[len(data) // 2 :])
    def __getattr__(self, name): return getattr(self.f, name)
def cutting(path, how): return File(open(path, how)) if how[0] == "w" else open(path, how)
module.os = Os(); module.open = cutting; store.open = cutting
def fresh():
    for name in files(): real.remove(FOLDER + "/" + name)
def offset(rig):
    return struct.unpack("<i", bytes.fromhex(now(rig))[11:15])[0]
out = []
for n in range(1, 40):
    left[0] = 0
    fresh()
    rig = boot()
    write(rig, 1000, 0)
    cut_at(n)
    try:
        DO
        done = True
    except Cut:
        done = False
    left[0] = 0
    out.append([offset(boot()), done])
    if done: break
show(out=out)
"""


@pytest.mark.parametrize(
    ("action", "old", "new"),
    [("write(rig, 2000, 0)", 1000, 2000), ("ask(rig, wire.RESTORE_CALIBRATION)", 1000, 0)],
    ids=["write", "restore"],
)
def test_a_power_cut_at_any_change_of_a_file_leaves_the_old_or_the_new_whole(case, action, old, new):
    out = case(CUTS.replace("DO", action))["out"]

    assert len(out) >= 4  # cuts there were, and then a run without
    assert out[-1] == [new, True]
    assert all(offset in (old, new) for offset, _ in out)
    assert any(offset == old for offset, _ in out)


def test_a_changed_calibration_allocates_nothing_in_the_scans_after_it(runtime):
    """The scans of `test_heap`, the correction at its reach: no product of 2^30, or the 32-bit one would allocate."""
    script = _script(24, 20).replace(
        "app = rig.app\n", "app = rig.app\nrig.front.correct([50000] * 24, [10000] * 24, True)\n"
    )
    good, _, crimes, _ = run(runtime, script, heap=board_heap(runtime), as_on_a_board=True)[-1].split()

    assert (good, crimes) == ("20", "0")


def test_the_largest_string_fits_the_boards_buffers(case):
    """40 groups: 249 bytes of payload, in one frame."""
    got = case("N = 40; rig = boot(); status = write(rig, 1000, 5, groups=40); show(status=status, told=rig.told)")

    assert got["status"] == 0
    assert told(got["told"])["offset_uv"] == tuple(range(1000, 1040))


def test_the_boot_count_goes_on_from_its_second_copy(case):
    got = case(
        "from evenboard.start.build_memory import Memory\n"
        "def start():\n"
        "    boots = Boots(FOLDER + '/boots.json')\n"
        "    m = Memory({'folder': FOLDER + '/rec', 'room_kb': 100}, boots.count)\n"
        "    return [m.latch.boots, boots.agree(m.latch.boots), boots.count]\n"
        "ok = [start() for _ in range(3)]; put('boots.json', b'{'); bad = start(); then = start()\n"
        "for k in range(2): os.remove(FOLDER + '/rec/latch%d.bin' % k)\n"
        "show(ok=ok, bad=bad, then=then, latch_gone=start())"
    )

    assert got["ok"] == [[1, False, 1], [2, False, 2], [3, False, 3]]
    assert got["bad"] == [4, True, 4]
    assert got["then"] == [5, False, 5]
    assert got["latch_gone"] == [6, False, 6]
