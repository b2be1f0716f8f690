"""The practice board by its command: it prints a port, and other commands reach it there."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from evenstring.board.fetch import file_name, place_of


@pytest.mark.slow
def test_the_practice_board_prints_a_port_that_records_and_is_fetched_from(tmp_path: Path) -> None:
    """Two processes, as a user has two terminals; the board ends by itself if this test does not end it."""
    command = [sys.executable, "-m", "evenstring"]
    asked = [*command, "virtual", "--scenario", "lead_off", "--speed", "1", "--seconds", "60"]
    with subprocess.Popen([*asked], stdout=subprocess.PIPE, text=True, env=None, bufsize=1) as board:  # ours
        try:
            assert board.stdout is not None
            said = "".join(board.stdout.readline() for _ in range(2))
            port = re.findall(r"PORT is (\S+)", said)[0]
            recording = tmp_path / "a.frames"
            record = [*command, "record", port, "-o", str(recording), "--seconds", "2"]
            fetch = [*command, "fetch", port, "-o", str(tmp_path / "rides"), "--quiet"]

            assert subprocess.run(record, check=False, capture_output=True).returncode == 0  # ours
            assert subprocess.run(fetch, check=False, capture_output=True).returncode == 0  # ours
        finally:
            board.terminate()
    assert recording.stat().st_size > 1000
    assert [p.name[10:] for p in (tmp_path / "rides").iterdir()] == ["_lead_off_virtual-00000001.frames"]


def test_a_fetched_file_is_named_by_day_string_and_board_and_keeps_the_name_of_its_first_day(tmp_path: Path) -> None:
    name = file_name("b7", 12, "left trike", "2026-05-03")
    assert name == "2026-05-03_left-trike_b7-00000012.frames"
    (tmp_path / f"{name}.part").write_bytes(b"")

    assert place_of(tmp_path, "b7", 12, "left trike", "2026-05-04") == tmp_path / name
    assert place_of(tmp_path, "b7", 13, "left trike", "2026-05-04").name.startswith("2026-05-04")
