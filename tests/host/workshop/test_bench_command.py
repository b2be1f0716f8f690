"""`bench` on a port: it records, ends by itself when enough was seen, and can be left and taken up again."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.io.load import load_session
from evenstring.workshop.job import parse_job

from tests.host.fake_board import FakeBoard, started, until
from tests.host.streams import recording

pytestmark = pytest.mark.slow  # a port
LIMITS = '[[limit]]\nof = "{of}"\nmost = {most}\norigin = "agreed"\n'


@pytest.fixture
def board(tmp_path: Path) -> Iterator[FakeBoard]:
    fake = FakeBoard(tmp_path / "port")
    yield fake
    fake.unplug()


def bench(tmp_path: Path, board: FakeBoard, of: str, *more: str, most: str = "1e9") -> Result:
    """The command, with a board that sends 40 scans once it is started."""
    (tmp_path / "limits.toml").write_text(LIMITS.format(of=of, most=most))
    (tmp_path / "pack.toml").write_text('[pack]\ngroups = 4\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
    board.seen.clear()

    def send() -> None:
        until(started(board))
        board.send(recording(40, 4))

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    files = ["-o", str(tmp_path / "b.frames"), "--accept", str(tmp_path / "limits.toml")]
    arguments = [str(board.link), "--pack", str(tmp_path / "pack.toml"), *files, "--look-s", "0.2", "--job", "number=7"]
    result = CliRunner().invoke(cli, ["bench", *arguments, *more])
    sender.join()
    return result


def test_it_ends_by_itself_when_enough_was_seen(tmp_path: Path, board: FakeBoard) -> None:
    made = bench(tmp_path, board, "highest_v", "--seconds", "15")
    session = load_session([tmp_path / "b.frames"])

    assert made.exit_code == 0, made.output
    assert made.output.index("can kill") < made.output.index("seen highest reading of any group")
    assert "Left before" not in made.output
    assert session.scans == 40
    assert parse_job(session.job_toml or "", "it").number == "7"
    assert any(f.name == "STOP" for f in board.seen)


def test_left_early_it_says_what_is_next_and_goes_on_with_append(tmp_path: Path, board: FakeBoard) -> None:
    first = bench(tmp_path, board, "capacity_ah", "--seconds", "1")
    again = bench(tmp_path, board, "capacity_ah", "--seconds", "1", "--append")

    for made in (first, again):
        assert made.exit_code == 0, made.output
        assert "Left before enough was seen" in made.output
        assert "NEXT: " in made.output
        assert "CAUTION. " in made.output
    assert load_session([tmp_path / "b.frames"]).scans == 80


def test_a_mistake_in_the_limits_is_told_before_anything_is_recorded(tmp_path: Path, board: FakeBoard) -> None:
    (tmp_path / "pack.toml").write_text("[pack]\ngroups = 4\n")
    arguments = [str(board.link), "--pack", str(tmp_path / "pack.toml"), "-o", str(tmp_path / "b.frames")]
    made = CliRunner().invoke(cli, ["bench", *arguments, "--accept", "in_servce"])

    assert "in_service" in str(made.exception)
    assert not (tmp_path / "b.frames").exists()


@pytest.mark.parametrize(("volts", "why"), [("0.0", "nothing"), ("2.1", "below 2.5 V")])
def test_readings_out_of_order_end_it_before_anything_is_recorded(
    tmp_path: Path, board: FakeBoard, volts: str, why: str
) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(f"group,volts\n1,3.7\n2,{volts}\n3,3.7\n4,3.7\n")
    (tmp_path / "pack.toml").write_text('[pack]\ngroups = 4\nchemistry = "nmc"\n')
    arguments = [str(board.link), "--pack", str(tmp_path / "pack.toml"), "-o", str(tmp_path / "b.frames")]
    made = CliRunner().invoke(cli, ["bench", *arguments, "--check", str(meter)])

    assert made.exit_code == 1
    assert why in str(made.exception)
    assert "Do not plug in" in str(made.exception)
    assert not (tmp_path / "b.frames").exists()
    assert board.seen == []


def test_readings_in_order_are_said_and_the_session_goes_on(tmp_path: Path, board: FakeBoard) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text("group,volts\n" + "".join(f"{k},3.7\n" for k in range(1, 5)))
    made = bench(tmp_path, board, "highest_v", "--seconds", "15", "--check", str(meter))

    assert made.exit_code == 0, made.output
    assert made.output.index("the plug may go in") < made.output.index("seen lead check")


def test_what_was_decided_is_printed_as_json_alone_and_a_broken_limit_ends_with_three(
    tmp_path: Path, board: FakeBoard
) -> None:
    made = bench(tmp_path, board, "highest_v", "--seconds", "15", "--json", "--exit-verdict")
    said = json.loads(made.stdout)
    assert said["enough"]
    assert said["format"] == "evenstring-bench/1"
    assert said["acceptance"]["criteria"][0]["decision"] == "pass"
    assert "can kill" in made.stderr
    assert made.exit_code == (3 if said["verdict"] in ("do_not_charge", "inspect") else 0)

    (tmp_path / "b.frames").unlink()
    broken = bench(tmp_path, board, "highest_v", "--seconds", "15", "--json", "--exit-verdict", most="0.1")
    assert broken.exit_code == 3
    assert json.loads(broken.stdout)["acceptance"]["result"] == "fail"
