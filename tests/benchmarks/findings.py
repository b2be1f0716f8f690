"""Time of the whole report against the time of loading the same recording, 24 groups, two passes, at two lengths."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenstring.io.load import load_session
from evenstring.profile import PackProfile
from evenstring.report.build import build_report

from tests.benchmarks.decode import recording

_SHORT, _LONG = 20_000, 200_000


def run() -> list[str]:
    """The bar: 1.5 times loading plus a second for 288,000 scans; ten times the length at about ten times the cost."""
    _times(1_000)  # imports and first calls are not what is timed
    short, long = _times(_SHORT), _times(_LONG)
    ratio = (long[1] / short[1]) / (_LONG / _SHORT)
    return [
        f"{_LONG} scans: loading {long[0]:.2f} s, report {long[1]:.2f} s, {long[1] / long[0]:.2f} times the loading",
        f"ten times the length costs {10 * ratio:.1f} times",
    ]


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
