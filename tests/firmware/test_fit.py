"""The firmware fits a small board: heap and file sizes, with everything fitted."""

from __future__ import annotations

from tests.firmware.run import compiled, run
from tests.mp import FIRMWARE, Unix64

EVERYTHING = """
import gc, os
gc.collect()
before = gc.mem_alloc()
import decay, faults, machine, pack_trace, parts, virtual_board, vtime, world
gc.collect()
models = gc.mem_alloc() - before
from rig import Rig
import evenboard.ads122c04, evenboard.divider_bank, evenboard.segments
folder = "/tmp/evenstring-fit"
def clear():
    try:
        for name in os.listdir(folder):
            os.remove(folder + "/" + name)
        os.rmdir(folder)
    except OSError:
        pass
clear()
rig = Rig(groups=40, changes={"recorder": {"folder": folder, "room_kb": 256}})
for _ in range(3):
    rig.app.scan_once()
clear()
gc.collect()
print(gc.mem_free(), models)
"""


def test_all_modules_and_forty_groups_leave_60_kb_of_a_192_kb_heap():
    """On the 64-bit port, where a pointer is twice as long as on a board. The models' own code is not on a board."""
    free, models = map(int, run(Unix64(), EVERYTHING, heap="192k", as_on_a_board=True)[-1].split())

    assert models < 40_000
    assert free + models >= 60_000


def test_compiled_files_total_under_100_kb():
    folders = compiled()
    sizes = {
        f.stem: f.stat().st_size
        for folder in folders
        for f in folder.rglob("*.mpy")
        if f.parent.name.startswith("even")
    }

    assert {f.stem for f in (FIRMWARE / "evenboard").glob("*.py")} <= sizes.keys()
    assert sum(sizes.values()) < 100_000
