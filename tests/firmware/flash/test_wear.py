"""What recording does to flash, on a real littlefs in a real MicroPython."""

from __future__ import annotations

import pytest

from tests.firmware.rig.run import FOLDERS, RIG
from tests.mp import Unix64


@pytest.mark.parametrize("segment_kb", [32, 64])
def test_a_block_ends_where_a_piece_of_flash_ends_and_the_next_copies_nothing(
    runtime64: Unix64, segment_kb: int
) -> None:
    """Each append programs its own piece and one commit of 256 bytes.

    Its erases are that piece and, about each 16th time, one of the two blocks that commits go to. 64 kB are 16 pieces,
    with up to 16 bytes of pointers at their heads. An append that begins in the midst of a piece makes littlefs copy
    that piece first (its DESIGN.md): blocks of 4 kB that ended anywhere had 1.4 bytes programmed for each recorded.
    """
    args = ["352", "5000", "40", str(segment_kb)]
    lines = runtime64.run(RIG / "wear_script.py", path=FOLDERS, heap="64m", args=args, timeout_s=120)

    recorded, programmed, erases, _, most_bytes, _, _ = (int(v) for v in lines[-2].split())
    fill, taken, blocks, rotations, _, deleted = (int(v) for v in lines[-1].split())
    assert blocks > 14
    assert rotations == -(-blocks // (segment_kb // 4))
    assert deleted == 0
    assert most_bytes <= 4096 + 2 * 256
    assert (
        erases <= blocks + (blocks + 2 * rotations) // 14 + 2
    )  # the very first block does not know its segment's head
    assert programmed < 1.15 * recorded
    assert fill < 0.01 * recorded
    assert taken < 1.02 * recorded + 4096  # the last piece may be all but empty
