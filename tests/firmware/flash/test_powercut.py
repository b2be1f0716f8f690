"""Power cuts of a recording, on a real littlefs in a real MicroPython: at programs and erases, three ways each."""

from __future__ import annotations

import pytest

from tests.firmware.rig.run import FOLDERS, RIG
from tests.mp import ScriptError, Unix64
from tests.shares import first_few

SCRIPT = RIG / "powercut_script.py"
SECTORS = 24  # 96 kB
EVERY = 7  # operations from cut to cut; all of them in `make soak`


def _cut(runtime: Unix64, life: int, fault: str = "sound", every: int = 1, timeout_s: float = 120) -> dict[str, int]:
    args = [str(SECTORS), str(life), fault, str(every)]
    line = runtime.run(SCRIPT, path=FOLDERS, heap="200m", args=args, timeout_s=timeout_s)[-1]
    names = ("cuts", "operations", "blocks", "recorded_b", "programmed_b", "erases", "overwritten", "latch_saves")
    got = dict(zip(names, (int(v) for v in line.split()), strict=True))
    print("\n" + ", ".join(f"{name} {value}" for name, value in got.items()))
    assert got["cuts"] == 3 * -(-got["operations"] // every)
    # The ring of 14 sectors went round more than three times.
    assert got["recorded_b"] > 3 * 14 * 4096
    assert got["overwritten"] > 3 * 14 // 3
    return got


@pytest.mark.parametrize(("every", "least"), first_few(1, [(EVERY, 200), (1, 2000)]))
def test_no_power_cut_costs_a_committed_block_the_latch_or_a_boot(runtime64: Unix64, every: int, least: int) -> None:
    """Operations of 2,000 scans and four starts, each cut clean, torn and garbled; then the board starts again."""
    got = _cut(runtime64, 500, every=every)

    assert got["cuts"] >= least
    assert got["erases"] >= 100
    assert got["latch_saves"] >= 10


@pytest.mark.soak
def test_no_power_cut_costs_anything_of_a_board_that_starts_often(runtime64: Unix64) -> None:
    """The same with a start every 50 scans."""
    got = _cut(runtime64, 50, timeout_s=900)

    assert got["cuts"] >= 2000
    assert got["latch_saves"] >= 50


@pytest.mark.parametrize(("fault", "said"), [("forgetful", "shortened"), ("late_latch", "latch lost")])
def test_the_check_finds_what_does_not_hold(runtime64: Unix64, fault: str, said: str) -> None:
    """A store that does not flush, and a latch that reaches flash only with the next one."""
    with pytest.raises(ScriptError, match=said):
        _cut(runtime64, 500, fault, EVERY)
