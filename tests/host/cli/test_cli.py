"""The command line: one clear line and exit 1 for bad input, nothing overwritten, report.json and nothing else."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import tty
from pathlib import Path
from threading import Timer

import pytest
from evenstring.cli import cli, main

from tests.host.io.test_tables import BAD_TABLES
from tests.host.streams import recording

PACK = "[pack]\ngroups = 3\n"


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, out, err


def one_line(result: tuple[int, str, str]) -> str:
    code, out, err = result
    assert code == 1
    assert out == ""
    assert err.count("\n") == 1
    assert "Traceback" not in err
    return err


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    path = tmp_path / "pack.toml"
    path.write_text(PACK)
    return path


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    path = tmp_path / "invented.frames"
    path.write_bytes(recording(60, 3))
    return path


@pytest.mark.parametrize("case", BAD_TABLES)
def test_import_refuses_a_bad_table_in_one_line(
    tmp_path: Path, pack: Path, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    table = tmp_path / "in.csv"
    table.write_text(BAD_TABLES[case][0])
    err = one_line(run(capsys, "import", table, "--pack", pack, "-o", tmp_path / "out.frames"))

    assert BAD_TABLES[case][1] in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in.csv", "pack.toml"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[pack]\ngroups = 41\n", "at most 40"),
        ("[pack]\nname = 'x'\n", "needs groups"),
        ("groups = ", "not valid TOML"),
        ("[pack]\ngroups = 3\nchemistry = 'lead'\n", "'lead' is not known"),
        ("[pack]\ngroups = 3\n[limits]\nfull_v = -4\n", "at least 0.1"),
        ("[pack]\ngroups = 3\n[limits]\nempty_v = 4.5\n", "must rise"),
        ("pack = 3\n", "must be a table"),
        ("[pack]\ngroups = 3\nparallel_strings = 'two'\n", "parallel_strings must be"),
        ("[pack]\ngroups = 3\ncapacity_ah = 1" + "0" * 400 + "\n", "at most 2000"),
        ("[pack]\ngroups = 3\ncapacity_ah = inf\n", "at most 2000"),
        ("[pack]\ngroups = 3\n[balancer]\nrule = 'highest'\n", "threshold, above_lowest, odd_even"),
        ("[pack]\ngroups = 3\n[balancer]\nrule = 3\n", "threshold, above_lowest, odd_even"),
        ("[pack]\ngroups = 3\n[limits]\nstrict_discard = 'no'\n", "true or false"),
        ("x = " + "[" * 5000 + "]" * 5000, "not valid TOML"),
    ],
)
def test_a_bad_profile_is_refused_in_one_line(
    tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str], text: str, expected: str
) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(text)

    assert expected in one_line(run(capsys, "report", frames, "--pack", bad, "--json"))


@pytest.mark.parametrize("command", ["report", "export"])
@pytest.mark.parametrize(
    ("kind", "expected"),
    [("wrong", "no evenstring frame"), ("empty", "is empty"), ("folder", "is a folder"), ("absent", "cannot read")],
)
def test_files_that_cannot_be_used_are_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, kind: str, expected: str
) -> None:
    path = tmp_path / kind
    if kind == "folder":
        path.mkdir()
    elif kind != "absent":
        path.write_bytes({"wrong": b"PK\x03\x04 not ours \0\0 \x01\x02\0", "empty": b""}[kind])
    options = ["--to", "csv", "-o", str(tmp_path / "out.csv")] if command == "export" else ["--json"]

    assert expected in one_line(run(capsys, command, path, *options))
    assert [p.name for p in tmp_path.iterdir()] == ([] if kind == "absent" else [kind])


def test_a_port_that_is_not_there_is_one_line_and_leaves_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    err = one_line(run(capsys, "record", tmp_path / "no-such-port", "-o", tmp_path / "out.frames"))

    assert "cannot open this port" in err
    assert not (tmp_path / "out.frames").exists()


def test_existing_files_stay_as_they_are(
    tmp_path: Path, frames: Path, pack: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "kept"
    kept.write_text("mine")
    table = tmp_path / "in.csv"
    table.write_text("t_s,g1,g2,g3\n0,1,2,3\n")
    for arguments in (
        ("import", table, "--pack", pack, "-o", kept),
        ("export", frames, "--to", "csv", "-o", kept),
        ("record", "loop://", "-o", kept),
    ):
        assert "exists already" in one_line(run(capsys, *arguments))
    assert kept.read_text() == "mine"


def test_force_replaces(tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "old.csv"
    target.write_text("old")
    code, _, _ = run(capsys, "export", frames, "--to", "csv", "-o", target, "--force")

    assert code == 0
    assert target.read_text().startswith("t_s,g1,g2,g3,current_a,temp1_c\n")


def test_export_and_import_give_the_same_table(
    tmp_path: Path, frames: Path, pack: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, again, second = tmp_path / "1.csv", tmp_path / "again.frames", tmp_path / "2.csv"
    for arguments in (
        ("export", frames, "--to", "csv", "-o", first),
        ("import", first, "--pack", pack, "-o", again),
        ("export", again, "--to", "csv", "-o", second),
    ):
        assert run(capsys, *arguments)[0] == 0
    rows, rows_again = ([r.split(",") for r in p.read_text().splitlines()] for p in (first, second))

    # A mean of two readings has half steps, which the recording rounds; times and all else are the same.
    assert [r[0] for r in rows] == [r[0] for r in rows_again]
    assert [r[4:] for r in rows] == [r[4:] for r in rows_again]
    for a, b in zip(rows[1:], rows_again[1:], strict=True):
        assert [float(v) for v in a[1:4]] == pytest.approx([float(v) for v in b[1:4]], abs=1.01e-4)


def test_exported_frames_are_the_recordings_one_after_the_other(
    tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "both.frames"
    code, _, _ = run(capsys, "export", frames, frames, "--to", "frames", "-o", target)

    assert code == 0
    assert target.read_bytes() == (frames.read_bytes() + b"\0") * 2


def test_json_is_the_report_and_nothing_else(frames: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "report", frames, "--json")
    report = json.loads(out)

    assert (code, err) == (0, "")
    assert report["format"] == "evenstring-report/1"
    assert report["recording"]["groups"] == 3
    assert report["recording"]["scans"] == 60
    for key in ("limits", "phases", "spread", "events", "charge", "balancing", "weakness", "reserve", "verdict"):
        assert key in report


def test_report_leaves_a_page_and_json(tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "report", frames, "-o", tmp_path / "here")

    assert code == 0
    assert str(tmp_path / "here" / "report.html") in out
    assert json.loads((tmp_path / "here" / "report.json").read_text())["recording"]["scans"] == 60


def test_a_profile_of_another_size_is_refused(tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.toml"
    other.write_text("[pack]\ngroups = 4\n")

    assert "says 4 groups, the recording has 3" in one_line(run(capsys, "report", frames, "--pack", other, "--json"))


@pytest.mark.slow
def test_demo_leaves_recording_report_and_truth(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without the board, which the end-to-end tests run; twice, since an older demo is replaced when asked."""
    for force in ((), ("--force",)):
        code, out, _ = run(capsys, "demo", "--direct", "-o", tmp_path / "demo", *force)

        assert code == 0
    assert str(tmp_path / "demo" / "report.html") in out
    assert "invented" in out
    assert {p.name for p in (tmp_path / "demo").iterdir()} == {
        "demo.frames", "demo.frames.truth.json", "report.html", "report.json",
    }  # fmt: skip


def test_an_unknown_scenario_is_refused_with_the_known_ones(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "dead_group" in one_line(run(capsys, "demo", "--scenario", "nonsense", "-o", tmp_path))


def test_record_shows_what_comes_in_and_says_where_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "a.frames"
    code, said, line = run(capsys, "record", "loop://", "-o", out, "--seconds", "0.3", "--note", "invented")

    assert code == 0
    assert str(out) in said
    assert "0 damaged, 0 lost" in line


@pytest.mark.slow
def test_a_port_that_says_nothing_or_something_else_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board, line = pty.openpty()
    tty.setraw(line)
    out = tmp_path / "a.frames"
    try:
        asked = ("record", os.ttyname(line), "-o", out, "--seconds", "0.2", "--quiet")
        assert "nothing came from this port" in one_line(run(capsys, *asked))
        assert not out.exists()
        # Opening the port throws away what came before: the other instrument speaks a little later.
        Timer(0.5, os.write, (board, b"$GPGGA,not,ours\r\n")).start()
        asked = (*asked[:5], "1.2", "--quiet")
        assert "no frame, only bytes that are kept" in one_line(run(capsys, *asked))
        assert b"$GPGGA,not,ours\r\n" in out.read_bytes()
    finally:
        os.close(board)
        os.close(line)


def test_a_folder_that_cannot_be_written_is_one_line(frames: Path, capsys: pytest.CaptureFixture[str]) -> None:
    err = one_line(run(capsys, "export", frames, "--to", "csv", "-o", "/proc/nowhere/out.csv"))

    assert "cannot write" in err


def test_a_file_where_a_folder_must_be_is_one_line_and_stays(
    tmp_path: Path, frames: Path, pack: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "kept.csv"
    kept.write_text("t_s,g1,g2,g3\n0,1,2,3\n")
    for arguments in (
        ("report", frames, "-o", kept),
        ("report", frames, "-o", kept / "below"),
        ("import", kept, "--pack", pack, "-o", kept / "out.frames"),
    ):
        assert "kept.csv" in one_line(run(capsys, *arguments))
    assert kept.read_text().startswith("t_s")


def test_a_folder_with_the_name_of_the_report_is_one_line(
    tmp_path: Path, frames: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "out" / "report.json").mkdir(parents=True)

    assert "report.json: is a folder" in one_line(run(capsys, "report", frames, "-o", tmp_path / "out"))


def test_watch_says_what_it_cannot_watch_before_it_takes_the_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "is a folder" in one_line(run(capsys, "watch", tmp_path))
    assert "no such port" in one_line(run(capsys, "watch", tmp_path / "ttyX"))


@pytest.mark.parametrize("arguments", [["report"], ["nonsense"], ["export", "x", "--to", "xlsx"], ["record", "p"]])
def test_wrong_usage_is_exit_2(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    code, _, err = run(capsys, *arguments)

    assert code == 2
    assert "Traceback" not in err


@pytest.mark.parametrize("name", list(cli.list_commands(None)))  # type: ignore[arg-type]  # the list needs no context
def test_every_command_has_help_with_an_example(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, out, _ = run(capsys, name, "--help")

    assert code == 0
    assert "Example" in out


def test_nothing_waits_for_libraries_that_it_does_not_need(frames: Path) -> None:
    """`evenstring --help` must be quick: no numpy, no command module; a report of frames: nothing that tables need."""
    code = "import sys, evenstring.cli as c\ndef after(*words):\n try: c.main(list(words))\n except SystemExit: pass\n"
    code += " print('loaded:', *sys.modules)\nafter('--version')\nafter('report', sys.argv[1], '--json')\n"
    done = subprocess.run([sys.executable, "-c", code, str(frames)], check=True, capture_output=True, text=True)
    help_loads, report_loads = (set(line.split()) for line in done.stdout.splitlines() if line.startswith("loaded:"))

    assert not {"numpy", "serial"} & help_loads
    assert "evenstring.report.report_json" in report_loads
    assert not {"pandas.core", "openpyxl", "textual", "serial"} & report_loads


def test_a_closed_pipe_is_no_error(frames: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-m", "evenstring", "report", str(frames), "--json"]
    ended = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, check=False)
    os.close(write)

    assert ended.stderr == b""
