"""kill -9 at random moments of adding, decoding and copying among them: nothing that was said to be added is lost."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli

ROOT = Path(__file__).resolve().parents[4]
TOWPATH = ROOT / "tests" / "data" / "recordings" / "towpath.frames"

# One process imports all once and forks an adder a kill, so that the moments fall into adding and not into imports. It
# says of each whether it was killed, and whether it had said that it had added.
KILLER = """
import os, random, signal, sys, time
from evenstring.cli import cli, main
from evenstring.commands.history import logbook, logbook_add
folder, kills, longest_s = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
moments = random.Random(16)
for k in range(kills):
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(write, 1)
        os.dup2(write, 2)
        main(["logbook", "add", f"{folder}/{k}.frames", "--logbook", f"{folder}/book", "--copy"])
    os.close(write)
    time.sleep(moments.uniform(0.0, longest_s))
    os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    said = os.read(read, 65536).decode()
    os.close(read)
    print(k, "killed" if os.WIFSIGNALED(status) else "ended", "added" if "recording" in said else "silent", flush=True)
"""


def recordings(folder: Path, many: int) -> None:
    """All different: a few bytes between frames, which count as damage, at the end."""
    for k in range(many):
        shutil.copyfile(TOWPATH, folder / f"{k}.frames")
        with (folder / f"{k}.frames").open("ab") as file:
            file.write(b"\x00%d" % k)


# An add in a fork, as those that are killed: a process that imported just before takes longer. The middle of three.
TIMER = """
def one_s(k):
    began = time.perf_counter()
    child = os.fork()
    if child == 0:
        main(["logbook", "add", sys.argv[4], "--logbook", f"{folder}/{k}"])
    os.waitpid(child, 0)
    return time.perf_counter() - began
print(sorted(map(one_s, range(3)))[1])
"""


def one_add_s(folder: Path) -> float:
    """How long an add takes here and now, so that kills fall into all of it."""
    code = [sys.executable, "-c", KILLER.partition("moments =")[0] + TIMER, str(folder), "0", "0", str(TOWPATH)]
    return float(subprocess.run(code, check=True, capture_output=True, text=True).stdout.splitlines()[-1])


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills are sent to forks")
@pytest.mark.parametrize("kills", [20, pytest.param(200, marks=pytest.mark.soak)])
def test_nothing_that_was_said_to_be_added_is_lost_to_a_kill_at_any_moment(kills: int, tmp_path: Path) -> None:
    recordings(tmp_path, kills)
    before = [(tmp_path / f"{k}.frames").read_bytes() for k in range(kills)]
    longest_s = 1.5 * one_add_s(tmp_path / "other")
    done = subprocess.run(
        [sys.executable, "-c", KILLER, str(tmp_path), str(kills), str(longest_s)],
        check=True,
        capture_output=True,
        text=True,
    )
    lines = [line.split() for line in done.stdout.splitlines()]
    said = [int(k) for k, _end, what in lines if what == "added"]

    checked, listed, again = (
        CliRunner().invoke(cli, ["logbook", *words, "--logbook", str(tmp_path / "book")])
        for words in (["check"], ["list", "--json"], ["add", str(tmp_path / "0.frames")])
    )
    left = sum(1 for line in checked.output.splitlines() if "of no recording" in line)
    print(f"{kills} adds: {len(said)} said to be added before the kill, {left} copies and pieces of copies left behind")
    here = [row["sha256"] for row in json.loads(listed.output)]

    # Some two thirds on a quiet machine; fewer where it grew quieter since one add was timed.
    assert sum(end == "killed" for _k, end, _what in lines) > kills // 5
    assert 0 < len(said) < kills  # some were killed before and some after
    assert checked.exit_code == 0, checked.output
    assert {hashlib.sha256(before[k]).hexdigest() for k in said} <= set(here)
    assert len(set(here)) == len(here) <= kills
    assert again.exit_code == 0
    assert [(tmp_path / f"{k}.frames").read_bytes() for k in range(kills)] == before
