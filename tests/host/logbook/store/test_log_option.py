"""`record --log` and `fetch --log`: the recording first, the logbook afterwards, and the one never harms the other."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.board.virtual import VirtualBoard
from evenstring.cli import cli
from evenstring.commands.log_options import Log
from evenstring.errors import InputError

from tests.host.board.test_fetch import GROUPS, write_trace

TOWPATH = Path(__file__).resolve().parents[3] / "data" / "recordings" / "towpath.frames"
PACK = f'[pack]\nname = "invented cart"\ngroups = {GROUPS}\ncapacity_ah = 20.0\n'


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


@pytest.mark.slow
def test_what_was_recorded_and_fetched_is_in_the_logbook(tmp_path: Path) -> None:
    """The board is known by its own identity then: what it kept by itself needs no name and gets the profile."""
    trace, pack, book = tmp_path / "charge.trace", tmp_path / "pack.toml", tmp_path / "book"
    write_trace(trace, 20_000)
    pack.write_text(PACK, encoding="utf-8")
    changes = {"board_id": "cart-1", "recorder": {"folder": str(tmp_path / "flash"), "room_kb": 256, "segment_kb": 8}}
    with VirtualBoard(trace, GROUPS, heap="768k", changes=changes) as board:
        record = ("record", board.port, "-o", tmp_path / "a.frames", "--seconds", "2", "--pack", pack)
        recorded = run(*record, "--log", "--logbook", book)
        run(*record[:3], tmp_path / "b.frames", *record[4:])
        fetched = run("fetch", board.port, "-o", tmp_path / "rides", "--quiet", "--log", "--logbook", book)
    listed = run("logbook", "list", "--logbook", book).output

    assert recorded.exit_code == 0, recorded.output
    assert "pack 1: invented cart, board cart-1" in recorded.output
    assert fetched.exit_code == 0, fetched.output
    files = list((tmp_path / "rides").glob("*.frames"))
    assert all(f"{path}: recording" in fetched.output for path in files)
    assert listed.count("pack ") == 1
    assert len(listed.splitlines()) == 2 + len(files)
    shown = json.loads(run("logbook", "show", 2, "--logbook", book).output)
    assert shown["profile"]["name"] == "invented cart"
    assert "pack.capacity_ah" not in shown["profile"]["defaults"]


def test_what_cannot_be_added_is_whole_and_says_how_to_add_it_later(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole, bad = tmp_path / "whole.frames", tmp_path / "bad.frames"
    shutil.copyfile(TOWPATH, whole)
    bad.write_bytes(b"no frame")

    with pytest.raises(InputError, match=f"recorded and whole, but .* logbook add {bad}"):
        Log(tmp_path / "book").take([bad, whole])

    shown = capsys.readouterr()
    assert "no evenstring frame in this file" in shown.err
    assert f"{whole}: recording 1" in shown.out
    assert (whole.read_bytes(), bad.read_bytes()) == (TOWPATH.read_bytes(), b"no frame")


def test_a_logbook_that_cannot_be_used_harms_no_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = tmp_path / "whole.frames"
    shutil.copyfile(TOWPATH, whole)
    (tmp_path / "book").mkdir()
    (tmp_path / "book" / "logbook.sqlite").write_bytes(b"damaged")

    with pytest.raises(InputError, match="recorded and whole"):
        Log(tmp_path / "book").take([whole])

    assert "is damaged" in capsys.readouterr().err
    assert whole.read_bytes() == TOWPATH.read_bytes()


def test_a_logbook_named_without_log_is_a_slip() -> None:
    assert "give that too" in str(run("fetch", "nowhere", "--list", "--logbook", "x").exception)
