"""The firmware fits a small board: heap and file sizes, with everything on."""

from __future__ import annotations

import pytest
from evenstring.board.compiled import written_out

from tests.firmware.rig.run import STARTING, compiled, run
from tests.firmware.warn.test_watch import PRELUDE
from tests.mp import FIRMWARE, Unix64, Wasm32

HEAP = 192 * 1024
SOURCES = [p for p in sorted((FIRMWARE / "evenboard").rglob("*.py")) if p.stem != "__init__"]
MODULES = [".".join(p.relative_to(FIRMWARE).with_suffix("").parts) for p in SOURCES]
BARE = "import gc\ngc.collect()\nprint(gc.mem_alloc())"  # what the interpreter itself has taken

# All modules of the firmware first, as on a board: no models have grown the interpreter's table of names. Then the
# models and what the test brings, which are not counted; then alarms, recorder with its blocks, calibration, commands.
# The store takes blocks as flash would.
MODULES_FIRST = f"""
import gc, sys
class Bare:
    I2C = SPI = Pin = PWM = None
    PWRON_RESET = WDT_RESET = 0
sys.modules["machine"] = Bare
gc.collect()
before = gc.mem_alloc()
for name in {MODULES!r}:
    __import__(name)
import main
main.unload("base.description")
main.unload("flash.segments")
main.unload("front.relay_test")
main.unload("start.parked")
gc.collect()
firmware = gc.mem_alloc() - before

import vtime
sys.modules["time"] = vtime
del sys.modules["machine"]
import machine
for module in [sys.modules[name] for name in {MODULES!r} if name in sys.modules]:
    for part in ("I2C", "SPI", "Pin", "PWM"):
        if hasattr(module, part):
            setattr(module, part, getattr(machine, part))
    if hasattr(module, "machine"):
        module.machine = machine
    if hasattr(module, "time"):
        module.time = vtime
import rig as whole
"""

EVERYTHING = f"""
{PRELUDE}
from evenboard.flash import boots
from evenboard.start import build, maintenance
from evenboard.front import calibration
from evenboard.line import config
from evenboard import unload
whole.boards = whole.make_app = None
unload("base.description")
data = whole.json.loads(whole.json.dumps(whole.RP2040_24))
data.update({{"groups": 40, "alarms": {{}}}})
world = whole.World(whole.Still([3700000 + 1000 * g for g in range(40)], 5000), ())
board = whole.VirtualBoard(world, data)
rig = whole.Sink()
gc.collect()
others = gc.mem_alloc() - firmware
rig.app = build.make_app(data, "", rig.write, int)
app, store = fit(rig)
calibration.Calibration(app, data, "/nowhere/calibration.bin")
app.boots = boots.Boots("/nowhere/boots.json")
config.register(app, "/nowhere/board.json")
maintenance.register(app)
app.begin()
del build, maintenance, config
for name in main.STARTING:
    unload(name)
good = 0
for _ in range(3):
    good += app.scan_once()
gc.collect()
print(good, gc.mem_alloc() - others, others)
"""


# A collection may break the 32-bit build while it loads so much: there the models come first, what the test itself and
# the objects of the models take is counted as the firmware's, and so is their share of the table of names.
MODELS_FIRST = f"""
import gc
gc.collect()
before = gc.mem_alloc()
import decay, faults, machine, pack_trace, parts, virtual_board, vtime, world
gc.collect()
models = gc.mem_alloc() - before
{PRELUDE}
import evenboard.start.build_memory, evenboard.flash.latch, evenboard.flash.segments, evenboard.flash.store
import evenboard.front.adc_ads122c04, evenboard.front.bank_parts, evenboard.front.divider_bank, evenboard.sleep
from evenboard.flash import boots
from evenboard.front import calibration
from evenboard.start import maintenance
from evenboard.line import config
from evenboard import unload
import rig as whole
rig = Rig(groups=40, changes={{"alarms": {{}}}})
app, store = fit(rig)
calibration.Calibration(app, rig.data, "/nowhere/calibration.bin")
app.boots = boots.Boots("/nowhere/boots.json")
config.register(app, "/nowhere/board.json")
maintenance.register(app)
whole.boards = whole.make_app = None
del maintenance, config
for name in {(*STARTING, "flash.segments")!r}:
    unload(name)
good = 0
for _ in range(3):
    good += app.scan_once()
gc.collect()
print(good, gc.mem_alloc() - models, models)
"""


@pytest.mark.parametrize(
    ("interpreter", "script", "left"),
    [(Wasm32(), MODELS_FIRST, 78_000), (Unix64(), MODULES_FIRST + EVERYTHING, 55_000)],
    ids=["32-bit", "64-bit"],
)
def test_everything_on_for_forty_groups_leaves_room_in_a_192_kb_heap(
    interpreter: Unix64 | Wasm32, script: str, left: int
) -> None:
    """The models are not on a board. A board is a 32-bit machine; with 64 bits each pointer is twice as long."""
    bare = int(run(interpreter, BARE)[-1]) if interpreter.bits == 64 else 0
    good, used, others = map(int, run(interpreter, written_out(script), heap="1m", as_on_a_board=True)[-1].split())
    print(f"{interpreter.name}: {HEAP - bare - used} bytes of {HEAP} free; not counted: {others}")

    assert good == 3
    assert 15_000 < others < 64_000
    assert HEAP - bare - used >= left


def test_compiled_files_total_under_100_kb() -> None:
    folders = compiled()
    sizes = {
        f.relative_to(folder).with_suffix(""): f.stat().st_size
        for folder in folders
        for f in folder.rglob("*.mpy")
        if f.relative_to(folder).parts[0].startswith("even")
    }
    print(f"{sum(sizes.values())} bytes in {len(sizes)} files")

    assert {f.relative_to(FIRMWARE).with_suffix("") for f in SOURCES} <= sizes.keys()
    assert sum(sizes.values()) < 100_000
