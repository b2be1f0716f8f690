"""The firmware alone in a small heap, with all on, allocates nothing in a scan.

A run on the models comes first, in as much heap as it likes, and every transfer of its bus goes onto a tape. Then the
firmware runs without models: the bus plays the tape and insists on the same transfers. What may allocate (a new
segment, a kept one, the latch) opens the heap in slots of its own, as `Recorder` and `Watch` say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from tests.firmware.rig.run import STARTING, compiled, run
from tests.mp import Unix64, Wasm32

# Readings move; 80 scans before the end group 4 falls below discard: told, recorded, its segment kept, latched.
TAKE = """
import taken
from rig import Rig
import json, whole
rig = Rig(groups={groups}, changes={{"buzzer_pin": 14, "led_pin": 25}})
data = dict(rig.data, alarms={{}})
print(json.dumps(data))
values = rig.pack.values
def move(i):
    if i == {scans} - 80:
        values[3] = 2400000
    elif i < {scans} - 80:
        values[i % {groups}] = 3700000 + i * 7919 % 11 * 1000
taken.begin({tape!r})
app = whole.make(data, rig.sink.write)
print(whole.scans(app, 3, move) + whole.scans(app, {scans}, move))
taken.end()
"""

PLAY = """
import gc, json, tape
tape.load({tape!r})
import main, whole
from evenboard import sleep, unload
def write(buf, n):
    return n
with open({folder!r} + "/data.json") as f:
    data = json.load(f)
app = {make}
for name in {starting!r}:
    unload(name)
del whole.build, data, f
good = whole.scans(app, 3)
if {collect}:
    gc.collect()
used = gc.mem_alloc()
good += whole.locked_scans(app, {scans})
recorder = app.watch.recorder
print(good, recorder.blocks, recorder.blocks_lost, recorder.rotations, app.watch.alarms.active, used, gc.mem_free())
"""
MAKE = "whole.make(data, write)"
MAKE_WITH_FILES = "__import__('whole_files').make(data, write, {folder!r})"

Taken = tuple[Path, str]


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int, int], Taken]:
    @cache
    def take(groups: int, scans: int) -> Taken:
        """The tape, and the board description that it was made with."""
        tape = tmp_path_factory.mktemp("taken") / "tape"
        script = TAKE.format(groups=groups, scans=scans, tape=str(tape))
        data, good = run(Unix64(), script, heap="4m", timeout_s=300)
        assert int(good) == scans + 3
        return tape, data

    return take


@dataclass(frozen=True)
class Outcome:
    good: int
    blocks: int
    blocks_lost: int
    segments: int
    alarms: int
    held: int  # bytes of heap, before the lock
    free: int  # after all


def play(
    runtime: Unix64 | Wasm32, taken: Taken, scans: int, heap_kb: int, folder: Path, files: bool = False
) -> Outcome:
    """The 32-bit build's collector frees what is in use: there nothing is collected, and `held` counts all garbage."""
    tape, data = taken
    make = (MAKE_WITH_FILES if files else MAKE).format(folder=str(folder))
    (folder / "data.json").write_text(data)
    near = folder / "tape"  # where the 32-bit one sees it
    near.write_bytes(tape.read_bytes())
    script = PLAY.format(
        starting=STARTING, tape=str(near), folder=str(folder), make=make, scans=scans, collect=runtime.bits == 64
    )
    heap = f"{heap_kb}k"
    if isinstance(runtime, Wasm32):
        lines = runtime.run(script, path=compiled(), heap=heap, timeout_s=600, collect=False, writable=folder)
    else:
        lines = runtime.run(script, path=compiled(), heap=heap, timeout_s=600)
    outcome = Outcome(*map(int, lines[-1].split()))
    print(f"{runtime.name}, heap of {heap}: {outcome}")
    return outcome


_SEEN = 0x7FF  # alarms of what is read; what is foretold depends on how long the scans before were
# With 64 bits it holds less than 128 kB as well, but loading takes more: every pointer is twice a board's.
HEAP_KB = {32: 144, 64: 176}


@pytest.mark.parametrize(("groups", "more_kb"), [(24, 0), (40, 8)])
def test_everything_on_allocates_nothing(
    runtime: Unix64 | Wasm32, groups: int, more_kb: int, taken: Callable[[int, int], Taken], tmp_path: Path
) -> None:
    """Scan, alarms, delta, CRC, COBS, link and block buffer, compiled as on a board; an alarm on the way."""
    got = play(runtime, taken(groups, 120), 120, HEAP_KB[runtime.bits] + more_kb, tmp_path)

    assert (got.good, got.blocks_lost, got.alarms & _SEEN) == (123, 0, 0b11)
    assert got.blocks == 2  # at the alarm, and with what came after it
    assert got.segments == 1
    assert got.held < (135 + more_kb) * 1024


def test_with_all_that_is_kept_in_files_too(
    runtime64: Unix64, taken: Callable[[int, int], Taken], tmp_path: Path
) -> None:
    """Recorder, latch, calibration and boots in files, and the commands about them."""
    got = play(runtime64, taken(24, 120), 120, 208, tmp_path, files=True)

    assert (got.good, got.blocks_lost, got.alarms & _SEEN) == (123, 0, 0b11)
    assert [f.suffix for f in (tmp_path / "rec").iterdir() if f.stem.isdigit()] == [".alm"]
    assert got.held < 164_000


@pytest.mark.soak
def test_everything_on_allocates_nothing_for_10_000_scans(
    runtime: Unix64 | Wasm32, taken: Callable[[int, int], Taken], tmp_path: Path
) -> None:
    """The same for a charge's length: 24 groups, segments that fill and rotate."""
    got = play(runtime, taken(24, 10_000), 10_000, HEAP_KB[runtime.bits], tmp_path)

    assert (got.good, got.blocks_lost, got.alarms & _SEEN) == (10_003, 0, 0b11)
    assert got.blocks > 15
    assert got.segments >= 2


@pytest.mark.soak
def test_10_000_scans_with_files_too(runtime64: Unix64, taken: Callable[[int, int], Taken], tmp_path: Path) -> None:
    got = play(runtime64, taken(24, 10_000), 10_000, 208, tmp_path, files=True)

    assert (got.good, got.blocks_lost, got.alarms & _SEEN) == (10_003, 0, 0b11)
    assert got.segments >= 2
