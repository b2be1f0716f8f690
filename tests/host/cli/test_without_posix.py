"""What must work on systems without POSIX's modules is run with those modules out of reach."""

from __future__ import annotations

import csv
import html
import json
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from evenstring.io.load import load_session

from tests.host.streams import recording

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

# pyserial and subprocess choose by the system they run on, and get its own there; all others find the modules missing.
_BLOCKED = """
import json, os, subprocess, sys, traceback, types
import serial
for name in ("fcntl", "termios", "pty", "tty", "resource", "pwd", "grp"):
    sys.modules[name] = None
lock = types.ModuleType("msvcrt")
lock.LK_NBLCK, lock.locking = 2, lambda *_: None
sys.modules["msvcrt"] = lock
from evenstring.cli import main

def ended(folder, arguments):
    os.chdir(folder)
    try:
        main(arguments)
    except SystemExit as end:
        return end.code
    except BaseException:
        return traceback.format_exc()

print("\\n" + json.dumps([ended(*one) for one in json.loads(sys.argv[1])]))
"""

# Textual has a driver of the terminal for each system, and this one that needs none; it presses keys, waits a second,
# keeps what stands on the screen as a picture and ends the view.
_SCREEN = {
    "TEXTUAL_DRIVER": "textual.drivers.headless_driver:HeadlessDriver",
    "TEXTUAL_PRESS": "w,f",
    "TEXTUAL_SCREENSHOT": "1",
    "TEXTUAL_SCREENSHOT_LOCATION": ".",
    "TEXTUAL_SCREENSHOT_FILENAME": "screen.svg",
}
_TABLE = "t_s,g1,g2,current_a\n" + "".join(f"{k},3.9{k:02d},3.85,-4\n" for k in range(60))

# The arguments, and what a command leaves behind.
_COMMANDS = {
    "help": (["--help"], []),
    "report": (["report", "a.frames", "-o", "out"], ["out/report.html", "out/report.json"]),
    "export": (["export", "a.frames", "--to", "csv", "-o", "a.csv"], ["a.csv"]),
    "import": (["import", "table.csv", "--groups", "2", "-o", "b.frames"], ["b.frames"]),
    "import a workbook": (["import", "table.xlsx", "--groups", "2", "-o", "b.frames"], ["b.frames"]),
    "record": (["record", "loop://", "-o", "b.frames", "--seconds", "0.2"], ["b.frames"]),
    "watch": (["watch", "a.frames", "--speed", "60"], ["screen.svg"]),
    "watch a port": (["watch", "loop://", "-o", "b.frames"], ["screen.svg", "b.frames"]),
    "demo": (["demo", "--help"], []),
    "fetch": (["fetch", "--help"], []),
    "deploy": (["deploy", "--help"], []),
}


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, int | str]]:
    """One Python runs all commands, each in a folder of its own: the folders, and how each ended."""
    root, book = tmp_path_factory.mktemp("without_posix"), openpyxl.Workbook()
    for row in csv.reader(_TABLE.splitlines()):
        book.active.append(row if row[0] == "t_s" else [float(x) for x in row])
    for name in _COMMANDS:
        (root / name).mkdir()
        (root / name / "a.frames").write_bytes(recording(50, 4))
        (root / name / "table.csv").write_text(_TABLE)
        book.save(root / name / "table.xlsx")
    asked = json.dumps([[str(root / name), arguments] for name, (arguments, _) in _COMMANDS.items()])
    command = [sys.executable, "-c", _BLOCKED, asked]
    done = subprocess.run(command, env=os.environ | _SCREEN, capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
    return root, dict(zip(_COMMANDS, json.loads(done.stdout.splitlines()[-1]), strict=True))


@pytest.mark.parametrize("name", _COMMANDS)
def test_a_command_needs_no_module_of_posix(ran: tuple[Path, dict[str, int | str]], name: str) -> None:
    root, ended = ran

    assert ended[name] == 0
    left = {p.relative_to(root / name).as_posix() for p in (root / name).rglob("*") if p.stat().st_size}
    assert set(_COMMANDS[name][1]) <= left


@pytest.mark.parametrize(("name", "shown"), [("watch", "a.frames · 4 groups · "), ("watch a port", "loop://")])
def test_the_live_view_draws_without_a_terminal_of_posix(
    ran: tuple[Path, dict[str, int | str]], name: str, shown: str
) -> None:
    seen = html.unescape((ran[0] / name / "screen.svg").read_text(encoding="utf-8")).replace("\xa0", " ")

    assert shown in seen
    assert "60 V DC and more can kill." in seen
    if name == "watch":
        assert "group 1" in seen  # the key was taken


@pytest.mark.parametrize("name", ["import", "import a workbook"])
def test_what_was_imported_without_posix_holds_the_table(ran: tuple[Path, dict[str, int | str]], name: str) -> None:
    session = load_session([ran[0] / name / "b.frames"])
    assert (len(session.time_s), session.groups) == (60, 2)
    assert session.volts_v[59, 0] == pytest.approx(3.959, abs=1e-4)
