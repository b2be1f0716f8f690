"""Power cuts of a recording, on a real littlefs in a real MicroPython: every program and erase, three ways each."""

from __future__ import annotations

import pytest

from tests.firmware.rig.run import FOLDERS, RIG
from tests.mp import ScriptError, Unix64

SCRIPT = RIG / "powercut_script.py"
SECTORS = 24  # 96 kB
SCANS = 2000


def test_no_power_cut_costs_a_committed_block(runtime64: Unix64) -> None:
    """Every one of some 760 operations of 2,000 scans, each cut clean, torn and garbled; the recorder then goes on."""
    lines = runtime64.run(SCRIPT, path=FOLDERS, heap="200m", args=[str(SECTORS), "sound"], timeout_s=120)

    tried, operations, blocks, written, programmed, erased, removed = (int(v) for v in lines[-1].split())
    print(
        f"\n{operations} operations, {tried} cuts, {blocks} blocks, {written} B recorded, {programmed} B programmed"
        f" ({programmed / written:.2f} x), {erased} erases, {removed} segments overwritten"
    )
    assert tried == 3 * operations
    assert operations > 500
    # The ring of 14 sectors went round more than three times.
    assert written > 3 * 14 * 4096
    assert removed > 3 * 14 // 3


def test_the_check_finds_a_store_that_does_not_flush(runtime64: Unix64) -> None:
    with pytest.raises(ScriptError, match="shortened"):
        runtime64.run(SCRIPT, path=FOLDERS, heap="200m", args=[str(SECTORS), "forgetful"], timeout_s=120)
