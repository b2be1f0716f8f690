"""The latch's second home outside the file system: survives a new file system, and a power cut at any moment."""

from __future__ import annotations

import ast
import json
import sys
from pathlib import Path

import pytest

from tests.firmware.rig.run import run
from tests.mp import FIRMWARE

# Stand for the parts of MicroPython's `esp32` module that are used. The store writes a value whole or not at all, as
# ESP-IDF promises of its own (NVS, from memory of its documentation); the partition erases and programs in pages.
FAKES = """
import sys
from evenboard.flash.latch import SIZE, Latch
class Cut(Exception):
    pass
class NVS:
    kept = {}
    fails = False
    def __init__(self, name):
        self.name = name
        self.new = {}
    def set_blob(self, key, value):
        if NVS.fails:
            raise OSError(5)
        self.new[key] = bytes(value)
    def commit(self):
        for key in self.new:
            NVS.kept[self.name + key] = self.new[key]
    def get_blob(self, key, buf):
        data = NVS.kept.get(self.name + key)
        if data is None:
            raise OSError(-4354)
        buf[: len(data)] = data
        return len(data)
class Partition:
    TYPE_DATA = 1
    labels = ("spare",)
    blocks = 3
    flash = bytearray(4096 * 3)
    cut_in = 0  # the power goes at that step; steps: half of the erase, the rest, each half page
    @classmethod
    def find(cls, type, label=None):
        return [cls()] if label in cls.labels else []
    def ioctl(self, op, arg):
        return self.blocks if op == 4 else None
    def step(self):
        Partition.cut_in -= 1
        if Partition.cut_in == 0:
            raise Cut()
    def readblocks(self, block, buf):
        buf[:] = self.flash[4096 * block : 4096 * block + len(buf)]
    def writeblocks(self, block, buf):
        at = 4096 * block
        for half in (0, 2048):
            self.step()
            self.flash[at + half : at + half + 2048] = b"\\xff" * 2048
        for page in range(0, 4096, 128):
            self.step()
            self.flash[at + page : at + page + 128] = buf[page : page + 128]
class esp32:
    pass
esp32.NVS = NVS
esp32.Partition = Partition
sys.modules["esp32"] = esp32
from evenboard.flash import latch_homes
class Files:
    def __init__(self):
        self.data = bytes(SIZE)
    def read(self, buf):
        buf[:] = self.data
        return True
    def write(self, buf):
        self.data = bytes(buf)
        return True
"""


def last(lines: list[str]) -> dict:
    return json.loads(lines[-1])


@pytest.mark.parametrize("copy", ["nvs", "spare"])
def test_a_new_file_system_does_not_make_the_board_forget(runtime, copy):
    script = f"""{FAKES}
import json
latch = Latch((Files(), Files()), latch_homes.home({copy!r}))
for boots in range(1, 6):
    latch.boots = boots
    latch.latched = 2 if boots > 2 else 0
    latch.calibration = b"kept" * boots
    assert latch.save()
again = Latch((Files(), Files()), latch_homes.home({copy!r}))
found = again.load()
print(json.dumps([found, again.boots, again.latched, len(again.calibration), again.generation]))
"""
    assert last(run(runtime, script)) == [True, 5, 2, 20, 5]


def test_whatever_moment_the_power_goes_the_partition_holds_the_generation_before_or_the_new_one(runtime):
    """Two sectors in turn: 34 steps of a write, each cut once; then the next boot reads, writes and reads again."""
    script = f"""{FAKES}
import json
def boot():
    latch = Latch(latch_homes.home("spare"))
    return latch, latch.load()
old = new = bad = 0
for cut in range(1, 35):
    for i in range(len(Partition.flash)):
        Partition.flash[i] = 0xFF
    latch, _ = boot()
    latch.boots = 7
    latch.save()
    latch.latched = 2
    latch.save()
    latch.latched = 6
    Partition.cut_in = cut
    try:
        latch.save()
    except Cut:
        pass
    Partition.cut_in = 0
    again, found = boot()
    if found and again.boots == 7 and (again.generation, again.latched) == (2, 2):
        old += 1
    elif found and again.boots == 7 and (again.generation, again.latched) == (3, 6):
        new += 1
    else:
        bad += 1
    again.latched = 4
    done = again.save()
    after, found = boot()
    if not done or not found or after.latched != 4:
        bad += 1
print(json.dumps([old, new, bad]))
"""
    old, new, bad = last(run(runtime, script, timeout_s=120))

    assert bad == 0
    assert old + new == 34
    assert old >= 10  # half an erase, and pages of a latch of 1,024 bytes
    assert new >= 1  # what lies behind the latch in its sector does not matter


def test_either_home_may_fail_and_the_latch_is_kept(runtime):
    script = f"""{FAKES}
import json
class Broken(Files):
    def write(self, buf):
        return False
NVS.fails = True
files = Files(), Files()
first = Latch(files, latch_homes.home("nvs")).save()
NVS.fails = False
second = Latch((Broken(), Broken()), latch_homes.home("nvs")).save()
NVS.fails = True
none = Latch((Broken(), Broken()), latch_homes.home("nvs")).save()
print(json.dumps([first, second, none]))
"""
    assert last(run(runtime, script)) == [True, True, False]


@pytest.mark.parametrize(
    ("copy", "flags"), [("nvs", 0), ("spare", 0), ("not there", 8)], ids=["store", "partition", "missing"]
)
def test_the_board_description_names_the_second_home(runtime64, copy, flags):
    script = f"""{FAKES}
import json
from recorder_rig import mounted, Flash
mounted(Flash(40), True)
from evenboard.start.build_memory import Memory
where = {{"folder": "/f/rec", "room_kb": 64, "copy": {copy!r}}}
first = Memory(where)
first.latch.latched = 2
first.latch.save()
import vfs
vfs.umount("/f")
mounted(Flash(40), True)
second = Memory(where)
print(json.dumps([first.flags, second.flags, second.latch.latched, second.latch.boots]))
"""
    first, second, latched, boots = last(run(runtime64, script, heap="2m"))

    assert first == flags
    if flags:
        assert (second, latched, boots) == (flags, 0, 1)
    else:
        assert (second, latched, boots) == (1, 2, 2)  # memory was lost, and nothing forgotten


def test_without_the_module_the_board_says_that_the_home_is_missing(runtime64):
    script = """
import json
from recorder_rig import mounted, Flash
mounted(Flash(40), True)
from evenboard.start.build_memory import Memory
print(json.dumps(Memory({"folder": "/f/rec", "room_kb": 64, "copy": "nvs"}).flags))
"""
    assert json.loads(run(runtime64, script, heap="2m")[-1]) == 8


def test_a_partition_that_others_live_in_is_refused(runtime):
    script = """
import json
from rig import RP2040_24
from evenboard.base import description
out = []
for copy in ("vfs", "ota_0", 3, "nvs", "spare", ""):
    data = dict(RP2040_24)
    data["recorder"] = {"folder": "/rec", "copy": copy}
    out.append(description.check(data))
print(json.dumps(out))
"""
    said = json.loads(run(runtime, script)[-1])

    assert all("recorder.copy" in text for text in said[:3])
    assert said[3:] == ["", "", ""]


def test_what_is_asked_of_the_esp32_module_is_in_the_published_stubs() -> None:
    tree = ast.parse((Path(sys.prefix) / "stubs-esp32" / "esp32.pyi").read_text(encoding="utf-8"))
    members = {
        node.name: {getattr(n, "name", None) or getattr(getattr(n, "target", None), "id", None) for n in node.body}
        for node in tree.body
        if isinstance(node, ast.ClassDef)
    }

    assert {"get_blob", "set_blob", "commit"} <= members["NVS"]
    assert {"find", "TYPE_DATA", "ioctl", "readblocks", "writeblocks"} <= members["Partition"]
    assert json.loads((FIRMWARE / "boards" / "esp32.json").read_text())["recorder"]["copy"] == "nvs"
