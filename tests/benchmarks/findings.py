"""Time and memory of the whole report against loading the same recording: 24 groups, two passes, 8 h at 10 scans/s."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from evenstring.io.load import load_session
from evenstring.profile import PackProfile
from evenstring.report.build import build_report

from tests.benchmarks.decode import recording

_SHORT, _LONG = 28_800, 288_000


def run() -> list[str]:
    """The bars: 1.5 times loading plus a second; ten times the length at about ten times the cost; under 600 MB."""
    _times(1_000)  # imports and first calls are not what is timed
    short, long = _times(_SHORT), _times(_LONG)
    ratio = (long[1] / short[1]) / (_LONG / _SHORT)
    return [
        f"{_LONG} scans: loading {long[0]:.2f} s, report {long[1]:.2f} s, {long[1] / long[0]:.2f} times the loading",
        f"ten times the length costs {10 * ratio:.1f} times",
        f"most memory of the whole process: {_most_mb(_SHORT):.0f} MB at {_SHORT} scans, {_most_mb(_LONG):.0f} MB",
    ]


def _most_mb(scans: int) -> float:
    """Peak resident memory of a fresh process that loads and reports, numpy and all else included."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.frames"
        path.write_bytes(recording(scans))
        with get_context("spawn").Pool(1) as pool:
            return float(pool.apply(_load_and_report, (str(path),)))


def _load_and_report(path: str) -> float:
    session = load_session((Path(path),))
    build_report(session, PackProfile(groups=session.groups))
    # Not getrusage: its figure is handed on from parent to child. Linux only, as this benchmark is.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024.0


def _times(scans: int) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.frames"
        path.write_bytes(recording(scans))
        load_s, session = _timed(lambda: load_session((path,)))
    report_s, _ = _timed(lambda: build_report(session, PackProfile(groups=session.groups)))
    return load_s, report_s


def _timed(call: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    result = call()
    return time.perf_counter() - start, result
