"""The firmware fits a small board: heap and file sizes, with everything on."""

from __future__ import annotations

import pytest

from tests.firmware.run import compiled, run
from tests.firmware.test_watch import PRELUDE
from tests.mp import FIRMWARE, Unix64, Wasm32

HEAP = 192 * 1024

# Every module of the firmware, alarms, recorder with its blocks, calibration, commands. The 32-bit build has no file
# system to write to: the store takes blocks as flash would. Printed: what is in use, and what of it are the models.
EVERYTHING = f"""
import gc
gc.collect()
before = gc.mem_alloc()
import decay, faults, machine, pack_trace, parts, virtual_board, vtime, world
gc.collect()
models = gc.mem_alloc() - before
{PRELUDE}
import evenboard.fit_memory, evenboard.latch, evenboard.segments, evenboard.store
import evenboard.ads122c04, evenboard.bank_parts, evenboard.divider_bank, evenboard.power
from evenboard import boots, calibration, maintenance, service, unload
import rig as whole
rig = Rig(groups=40, changes={{"alarms": {{}}}})
app, store = fit(rig)
calibration.Calibration(app, rig.data, "/nowhere/calibration.bin")
app.boots = boots.Boots("/nowhere/boots.json")
service.Service(app, "/nowhere/board.json", app.boots)
maintenance.register(app)
whole.boards = None  # as main.py does when it has started
unload("board")
for _ in range(3):
    app.scan_once()
gc.collect()
print(gc.mem_alloc(), models)
"""


@pytest.mark.parametrize(("interpreter", "left"), [(Wasm32(), 60_000), (Unix64(), 12_000)], ids=["32-bit", "64-bit"])
def test_everything_on_for_forty_groups_leaves_room_in_a_192_kb_heap(interpreter: Unix64 | Wasm32, left: int) -> None:
    """The models' code is not on a board. A board is a 32-bit machine; with 64 bits each pointer is twice as long."""
    used, models = map(int, run(interpreter, EVERYTHING, heap="1m", as_on_a_board=True)[-1].split())
    print(f"{interpreter.name}: {HEAP - (used - models)} bytes of {HEAP} free")

    assert 15_000 < models < 40_000
    assert HEAP - (used - models) >= left


def test_compiled_files_total_under_100_kb() -> None:
    folders = compiled()
    sizes = {
        f.stem: f.stat().st_size
        for folder in folders
        for f in folder.rglob("*.mpy")
        if f.parent.name.startswith("even")
    }
    print(f"{sum(sizes.values())} bytes in {len(sizes)} files")

    assert {f.stem for f in (FIRMWARE / "evenboard").glob("*.py")} <= sizes.keys()
    assert sum(sizes.values()) < 100_000
