"""Eight hours at ten scans a second to report.html: CPU time of each part, size, and whether extremes survived."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from evenstring.io.load import load_session, profile_of
from evenstring.report.drawing.reduction import departures_mv, reduce_extremes
from evenstring.report.material import gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.wire.encode import Counter, ScanValues, scan_frames, volts_to_steps

from tests.host.looks import a_day

SCANS = 288_000


def run() -> list[str]:
    day = a_day(n=SCANS, step_s=0.1)
    assert day.current_a is not None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.frames"
        both = volts_to_steps(np.hstack([day.volts_v, day.volts_v]))
        current = np.rint(day.current_a[:, None] * 100).astype(np.int16)
        values = ScanValues((day.time_s * 1000).astype(np.int64), both, 24, current_10ma=current, step_us=2000)
        path.write_bytes(scan_frames(values, Counter()))
        marks = [time.process_time()]
        session = load_session([path])
        marks.append(time.process_time())
        profile = profile_of(session)
        material = gather_material(session, profile)
        report_json(material)
        marks.append(time.process_time())
        page = render(material)
        marks.append(time.process_time())
    decode_s, analyse_s, page_s = np.diff(marks)
    departures = departures_mv(session.volts_v)
    drawn = reduce_extremes(session.time_s, departures, 1500)
    kept = np.array_equal(np.nanmin(drawn.values, axis=0), np.nanmin(departures, axis=0))
    kept &= np.array_equal(np.nanmax(drawn.values, axis=0), np.nanmax(departures, axis=0))
    return [
        f"{SCANS:,} scans of 24 groups: decode {decode_s:.2f} s, findings {analyse_s:.2f} s, page {page_s:.2f} s",
        f"all of it: {sum((decode_s, analyse_s, page_s)):.2f} s of CPU (bar: 3 s)",
        f"page: {len(page.encode()) / 1e6:.2f} MB (bar: 2 MB); page / decode = {page_s / decode_s:.2f}",
        f"extremes of every group kept: {'yes' if kept else 'NO'}",
    ]
