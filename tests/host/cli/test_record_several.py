"""record of several ports: a recording each, one that fails does not end the others."""

from __future__ import annotations

import os
import pty
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.commands.board.record import recordings_named
from evenstring.errors import UsageError
from evenstring.io.load import load_session
from evenstring.wire.encode import Counter, identity

from tests.host.streams import scans

pytestmark = pytest.mark.slow  # ports and a second of waiting


@pytest.fixture
def boards() -> Iterator[list[str]]:
    """Two ports; on each, a board says who it is and sends scans, again and again."""
    done, opened = threading.Event(), []

    def play(handle: int, name: str) -> None:
        counter = Counter()
        while not done.wait(0.05):
            said = identity(counter, 3, "relay_scan", boot_count=1, board_id=name, string_name=name)
            os.write(handle, said + scans(5, 3, counter))

    for name in ("left", "right"):
        ours, theirs = pty.openpty()
        tty.setraw(ours)
        opened.append((ours, theirs, threading.Thread(target=play, args=(ours, name), daemon=True)))
    for *_, thread in opened:
        thread.start()
    yield [os.ttyname(theirs) for _, theirs, _ in opened]
    done.set()
    for ours, theirs, thread in opened:
        thread.join()
        os.close(ours)
        os.close(theirs)


def test_each_board_has_its_own_recording(boards: list[str], tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["record", *boards, "-o", str(tmp_path / "two"), "--seconds", "1"])

    paths = sorted((tmp_path / "two").iterdir())
    assert result.exit_code == 0
    assert "string left, " in result.output
    assert {load_session([p]).ident.string_name for p in paths} == {"left", "right"}


def test_a_port_that_is_not_there_does_not_end_the_others(boards: list[str], tmp_path: Path) -> None:
    missing = str(tmp_path / "no-port")
    result = CliRunner().invoke(cli, ["record", boards[0], missing, "-o", str(tmp_path / "two"), "--seconds", "1"])

    assert result.exit_code != 0
    assert "cannot open this port" in str(result.exception)
    (path,) = (tmp_path / "two").iterdir()
    assert load_session([path]).ident.string_name == "left"


def test_names_follow_the_ports_and_never_meet(tmp_path: Path) -> None:
    ports = ["/dev/ttyACM0", "/dev/serial/by-id/x", "socket://10.0.0.2:5000"]

    assert [p.name for p in recordings_named(ports, tmp_path)] == [
        "ttyACM0.frames", "serial-by-id-x.frames", "10-0-0-2-5000.frames",
    ]  # fmt: skip
    assert len({p.name for p in recordings_named(["/dev/a-b", "/dev/a/b"], tmp_path)}) == 2
    with pytest.raises(UsageError, match="twice"):
        recordings_named(["/dev/ttyACM0", "/dev/ttyACM0"], tmp_path)


def test_one_port_goes_where_it_is_told(tmp_path: Path) -> None:
    assert recordings_named(["/dev/ttyACM0"], tmp_path / "a.frames") == [tmp_path / "a.frames"]
