"""The logbook of 2,000 recordings: its list and a trend beside Python's own start, and adding beside decoding."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np
from evenstring.io.load import load_session, profile_of
from evenstring.logbook.entry import entry_of
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened
from evenstring.logbook.store.files import seen
from evenstring.logbook.store.rows import Found
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.text import json_text
from evenstring.wire.encode import Counter, ScanValues, scan_frames, volts_to_steps

from tests.host.logbook.store.books import TOLD, add
from tests.host.logbook.store.many import many
from tests.host.looks import a_day

__all__ = ["run"]

_BARE = "import sqlite3, click, json"  # what any such command needs
_SCANS = 36_000  # an hour at ten scans a second
_RUNS = 5


def run() -> list[str]:
    """Least of five runs each, by turns."""
    with tempfile.TemporaryDirectory() as folder:
        return [
            *_reading(Path(folder) / "some", 2000),
            *_reading(Path(folder) / "many", 100_000),
            *_adding(Path(folder)),
        ]


def _reading(folder: Path, recordings: int) -> list[str]:
    folder.mkdir()
    many(folder, recordings, packs=recordings // 500, report_bytes=14_000)
    main = "import sys; from evenstring.cli import main; main(sys.argv[1:])"
    where = ("--logbook", str(folder / "book"))
    asked = {"Python": (_BARE,), "list": (main, "logbook", "list", *where),
             "list --name": (main, "logbook", "list", "--name", "pack 001", *where),
             "trend": (main, "logbook", "trend", "pack 001", *where)}  # fmt: skip
    least = dict.fromkeys(asked, np.inf)
    for _ in range(_RUNS):
        for name, arguments in asked.items():
            least[name] = min(least[name], _cpu_s(arguments))
    size = sum(p.stat().st_size for p in (folder / "book").iterdir()) / 1e6
    told = ", ".join(f"{name} {1e3 * s:.0f} ms ({s / least['Python']:.1f})" for name, s in least.items())
    return [f"{recordings:,} recordings, {size:.0f} MB; CPU of the whole process (times Python's start): {told}"]


def _cpu_s(arguments: tuple[str, ...]) -> float:
    before = os.times()
    subprocess.run([sys.executable, "-c", *arguments], check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def _adding(folder: Path) -> list[str]:
    """What the logbook itself takes of adding an hour's recording, copy included."""
    path = folder / "hour.frames"
    day = a_day(n=_SCANS, step_s=0.1)
    both = volts_to_steps(np.hstack([day.volts_v, day.volts_v]))
    current = np.rint((day.current_a if day.current_a is not None else np.zeros(_SCANS))[:, None] * 100)
    values = ScanValues((day.time_s * 1000).astype(np.int64), both, 24, current_10ma=current.astype(np.int16))
    path.write_bytes(scan_frames(values, Counter()))
    marks = [perf_counter()]
    session = load_session([path])
    marks.append(perf_counter())
    material = gather_material(session, profile_of(session))
    found = Found(entry_of(material), json_text(report_json(material)))
    marks.append(perf_counter())
    add(folder, 1)  # the logbook is there already, as in all but the first add
    marks.append(perf_counter())
    for copy in (False, True):
        with opened(folder / "book") as db:
            Book(db, folder / "book").add(seen(path), TOLD, found, copy=copy)
        marks.append(perf_counter())
    decode_s, analyse_s, _made, keep_s, copy_s = np.diff(marks)
    rest = f"kept {keep_s:.3f} s ({keep_s / decode_s:.2f} of decoding), with a copy {copy_s:.3f} s"
    of = f"adding an hour at 10 scans a second ({path.stat().st_size / 1e6:.1f} MB)"
    return [f"{of}: decoded in {decode_s:.2f} s, findings {analyse_s:.2f} s, {rest} ({copy_s / decode_s:.2f})"]
