"""Figures for notebooks show what the session holds."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from evenstring.errors import UsageError
from evenstring.plots import plot_groups, plot_levels, plot_spread
from evenstring.report.report_json import report_json
from evenstring.wire.encode import Counter, ScanValues, scan_frames, volts_to_steps

from tests.host.looks import a_day, a_material

EXAMPLE = Path(__file__).parents[2] / "host" / "examples" / "plots_of_a_session.py"


def test_level_line_draws_every_group_and_names_those_that_leave() -> None:
    day = a_day()
    axes = plot_levels(day, report_json(a_material(day))).axes[0]
    assert sum(len(line.get_xdata()) > 10 for line in axes.lines) == 24
    words = {t.get_text().strip() for t in axes.texts}
    assert {"group 7", "group 17", "charge, constant current"} <= words


def test_spread_keeps_its_largest_value() -> None:
    day = a_day()
    line = plot_spread(day).axes[0].lines[0]
    true = (day.volts_v.max(axis=1) - day.volts_v.min(axis=1)).max() * 1000
    assert float(np.nanmax(line.get_ydata())) == pytest.approx(float(true), rel=1e-5)


def test_group_that_is_not_there_is_refused() -> None:
    with pytest.raises(UsageError, match="groups 1 to 24"):
        plot_groups(a_day(n=50), [25])


def test_example_script_writes_its_pictures(tmp_path: Path) -> None:
    day = a_day(n=400)
    steps = volts_to_steps(day.volts_v)
    frames = scan_frames(ScanValues((day.time_s * 1000).astype(np.int64), steps, 24, passes=1), Counter())
    (tmp_path / "day.frames").write_bytes(frames)
    written = runpy.run_path(str(EXAMPLE))["main"](tmp_path / "day.frames", tmp_path / "plots")
    assert [p.name for p in written] == ["levels.svg", "spread.svg", "groups.svg"]
    assert all(p.read_text().startswith("<?xml") for p in written)
