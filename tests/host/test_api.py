"""What a notebook calls: the page host/API.md runs as it stands, and wrong calls say what was meant."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import evenstring
import numpy as np
import pandas as pd
import pytest

from tests.host.looks import a_day, a_profile

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "host" / "API.md"
RECORDING = ROOT / "tests" / "data" / "recordings" / "towpath.frames"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The files that the page speaks of."""
    for name in ("towpath", "before", "after"):
        shutil.copy(RECORDING, tmp_path / f"{name}.frames")
    (tmp_path / "pack.toml").write_text('[pack]\nname = "invented"\ngroups = 24\nchemistry = "nmc"\n')
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_block_of_the_page_runs_in_order(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocks = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.M | re.S)
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, str(PAGE), "exec"), names)
    said = capsys.readouterr().out

    assert len(blocks) >= 8
    assert "204 scans of 24 groups" in said
    assert "nothing.frames: cannot read this file" in said
    assert json.loads((folder / "towpath-report" / "report.json").read_text()) == names["report"]
    assert (folder / "group7.svg").read_text().startswith("<?xml")


def test_the_page_names_every_call_and_no_other() -> None:
    named = set(re.findall(r"evenstring\.(\w+)", PAGE.read_text(encoding="utf-8"))) - {"analysis", "session"}

    assert named == set(evenstring.__all__) - {"Findings", "Session", "plot_spread"} | {"EvenstringError"}


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, evenstring; print(sorted({'numpy', 'jinja2', 'click', 'rich', 'construct'} & set(sys.modules)))"

    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_the_report_can_be_called_whatever_was_imported_before() -> None:
    code = f"import evenstring.report.words, evenstring; print(evenstring.report({str(RECORDING)!r})['format'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout == "evenstring-report/1\n"


@pytest.mark.parametrize(
    ("guess", "meant"), [("load_session", "load"), ("analyze", "analyse"), ("plot_level", "plot_levels")]
)
def test_a_near_guess_is_told_the_name(guess: str, meant: str) -> None:
    with pytest.raises(AttributeError, match=rf"did you mean evenstring\.{meant}\?"):
        getattr(evenstring, guess)


def test_what_is_no_path_is_refused_in_one_sentence() -> None:
    with pytest.raises(evenstring.EvenstringError, match="this is a int"):
        evenstring.load(3)  # type: ignore[arg-type]  # what a user may do
    with pytest.raises(evenstring.EvenstringError, match="give the path"):
        evenstring.load()
    with pytest.raises(evenstring.EvenstringError, match="above zero"):
        evenstring.report(a_day(n=50), load_a=-1.0)


def test_spread_and_departures_are_those_of_plain_arithmetic() -> None:
    day = a_day(n=60)
    volts = day.volts_v.copy()
    volts[5, :] = np.nan
    volts[6, 1:] = np.nan
    volts[7, 3] = np.nan
    spread = evenstring.spread_mv(replace(day, volts_v=volts))

    assert np.flatnonzero(np.isnan(spread)).tolist() == [5, 6]
    assert spread[7] == pytest.approx(1000 * np.ptp(np.delete(volts[7], 3)), rel=1e-4)
    np.testing.assert_allclose(np.median(evenstring.departures_mv(day), axis=1), 0.0, atol=1e-3)


def test_a_group_and_the_events_make_tables() -> None:
    day = a_day()
    group = pd.DataFrame(evenstring.group_table(day, 7))
    findings = evenstring.analyse(day, a_profile())
    events = pd.DataFrame(evenstring.events_table(findings))

    assert list(group) == ["time_s", "volts_v", "departure_mv", "quality", "current_a"]
    np.testing.assert_array_equal(group["volts_v"], day.volts_v[:, 6])
    assert len(events) == len(findings.events) > 0
    assert events["start_s"].is_monotonic_increasing
    with pytest.raises(evenstring.EvenstringError, match="groups 1 to 24"):
        evenstring.group_table(day, 0)
