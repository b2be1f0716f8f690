"""evenstring report of recordings of two boards of one vehicle: a report each, one page with both, and joining them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.session import Quality
from evenstring.sim.scenario.frames import session_frames
from evenstring.wire.encode import Counter, identity

from tests.host.looks import a_day

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("analyses_once")]

GROUPS = 16
PACK = f'[pack]\nname = "two-string trike (invented)"\ngroups = {GROUPS}\nchemistry = "nmc"\ncapacity_ah = 20.0\n'


def recording(
    path: Path,
    name: str,
    up_v: float = 0.0,
    later_s: float = 0.0,
    groups: int = GROUPS,
    read: bool = True,
    more_ohm: float = 0.0,
) -> Path:
    """An invented day; each group stands `up_v` higher, the clock `later_s` later; not `read`: a lead is off.

    `more_ohm`: added to every group.
    """
    day = a_day(1500, groups, 8.0)
    assert day.start is not None
    assert day.current_a is not None
    volts_v = day.volts_v + up_v + more_ohm * day.current_a[:, None]
    day = replace(day, volts_v=volts_v, start=day.start + timedelta(seconds=later_s))
    if not read:
        day.quality[:, 4] = Quality.LEAD_OPEN
    path.write_bytes(session_frames(day, PACK.replace(f"groups = {GROUPS}", f"groups = {groups}"), name))
    return path


def report(*args: str | Path) -> Result:
    return CliRunner().invoke(cli, ["report", *map(str, args)])


def numbers(folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((folder / "strings.json").read_text())
    return loaded


def test_two_strings_get_a_report_each_and_a_page_with_both(tmp_path: Path) -> None:
    files = [recording(tmp_path / f"{name}.frames", name) for name in ("left", "right")]

    result = report(*files, "-o", tmp_path / "out")

    page = (tmp_path / "out" / "strings.html").read_text()
    assert result.exit_code == 0, result.output
    assert all((tmp_path / "out" / name / "report.html").exists() for name in ("left", "right"))
    assert all(f'href="{name}/report.html"' in page for name in ("left", "right"))
    assert json.loads((tmp_path / "out" / "right" / "report.json").read_text())["instrument"]["string_name"] == "right"
    assert "left: " in result.output
    assert "leave left and right apart until" in " ".join(result.output.split())  # both have a bad joint
    assert "do not join" not in result.output


def test_what_would_flow_is_ohms_law_over_what_both_read_at_rest(tmp_path: Path) -> None:
    """16 groups 50 mV apart are 0.8 V; twice 16 groups of 7 mohm (20 Ah: common practice) are 0.224 ohm."""
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", up_v=0.05)]

    report(*files, "-o", tmp_path / "out")

    got = numbers(tmp_path / "out")
    assert got["at_one_time"]
    assert got["joined"]["apart_v"] == pytest.approx(0.8, abs=0.01)
    assert got["joined"]["current_a"] == pytest.approx(0.8 / 0.224, rel=0.02)
    assert (got["joined"]["higher"], got["dangerous"]) == (1, False)


def test_the_string_that_sags_most_under_a_like_load_is_named(tmp_path: Path) -> None:
    """The right string's day again with 40 % more fall under load: of every group, at the same currents."""
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", more_ohm=0.004)]

    result = report(*files, "-o", tmp_path / "out")

    page, got = (tmp_path / "out" / "strings.html").read_text(), numbers(tmp_path / "out")["like_load"]
    assert got["sag_mv"][1] - got["sag_mv"][0] == pytest.approx(4.0 * got["current_a"], rel=0.1)
    assert "right sags most" in " ".join(result.output.split())
    assert "right sags most" in page
    assert "sag of a group, 5 s" in page


def test_strings_alike_are_said_to_sag_alike(tmp_path: Path) -> None:
    files = [recording(tmp_path / f"{name}.frames", name) for name in ("left", "right")]

    assert "Under load: they sag alike" in " ".join(report(*files, "-o", tmp_path / "out").output.split())


def test_strings_far_apart_are_said_to_be_a_danger_on_page_and_terminal(tmp_path: Path) -> None:
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", up_v=-0.3)]

    result = report(*files, "-o", tmp_path / "out")

    page = (tmp_path / "out" / "strings.html").read_text()
    assert "do not join them. Bring them to one voltage first." in " ".join(result.output.split())
    assert 'class="loud" role="alert"' in page
    assert numbers(tmp_path / "out")["dangerous"]


def test_recordings_of_two_days_are_compared_each_at_its_own_rest_and_the_page_says_so(tmp_path: Path) -> None:
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", later_s=86_400)]

    result = report(*files, "-o", tmp_path / "out")

    assert "not of one instant" in " ".join(result.output.split())
    assert not numbers(tmp_path / "out")["at_one_time"]


def test_where_a_group_is_never_read_joining_is_not_known(tmp_path: Path) -> None:
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", read=False)]

    result = report(*files, "-o", tmp_path / "out")

    assert "Not known: no rest of right with every group read" in " ".join(result.output.split())
    assert numbers(tmp_path / "out")["joined"] is None


def test_strings_of_different_numbers_of_groups_are_never_to_be_joined(tmp_path: Path) -> None:
    files = [recording(tmp_path / "a.frames", "left"), recording(tmp_path / "b.frames", "right", groups=18)]

    result = report(*files, "-o", tmp_path / "out")

    assert result.exit_code == 0, result.output
    assert "(left 16, right 18): never join them." in " ".join(result.output.split())
    assert numbers(tmp_path / "out")["dangerous"]


@pytest.mark.parametrize("names", [("left", "left"), ("", "right")], ids=["one string", "one has no name"])
def test_otherwise_recordings_are_of_one_pack_as_before(tmp_path: Path, names: Sequence[str]) -> None:
    files = [recording(tmp_path / f"{k}.frames", name, later_s=86_400.0 * k) for k, name in enumerate(names)]

    result = report(*files, "-o", tmp_path / "out")

    assert result.exit_code == 0, result.output
    assert (tmp_path / "out" / "report.html").exists()
    assert "Two recordings of one pack are compared" in result.output


@pytest.mark.parametrize(("later_s", "refused"), [(600.0, True), (86_400.0, False)], ids=["at once", "a day later"])
def test_two_boards_without_names_at_one_time_are_not_taken_for_one_string(
    tmp_path: Path, later_s: float, refused: bool
) -> None:
    files = []
    for name, later in (("a", 0.0), ("b", later_s)):
        files.append(recording(tmp_path / f"{name}.frames", "", later_s=later))
        files[-1].write_bytes(files[-1].read_bytes() + identity(Counter(), GROUPS, "relay_scan", board_id=name))

    result = report(*files, "-o", tmp_path / "out")

    assert bool(result.exception and "give each board a string_name" in str(result.exception)) == refused
    assert (tmp_path / "out").exists() != refused


def test_json_holds_all_together_and_each_report(tmp_path: Path) -> None:
    files = [recording(tmp_path / f"{name}.frames", name) for name in ("left", "right")]

    got = json.loads(report(*files, "--json").output)

    assert set(got["reports"]) == {"left", "right"}
    assert got["reports"]["left"]["instrument"]["string_name"] == "left"


def test_older_pages_are_kept_unless_it_is_forced(tmp_path: Path) -> None:
    files = [recording(tmp_path / f"{name}.frames", name) for name in ("left", "right")]
    (tmp_path / "out" / "right").mkdir(parents=True)
    (tmp_path / "out" / "right" / "report.html").write_text("mine")

    refused = report(*files, "-o", tmp_path / "out")

    assert refused.exit_code != 0
    assert not (tmp_path / "out" / "strings.html").exists()
    assert report(*files, "-o", tmp_path / "out", "--force").exit_code == 0


def test_hostile_names_become_safe_folders(tmp_path: Path) -> None:
    files = [
        recording(tmp_path / "a.frames", "../<b>up</b>"),
        recording(tmp_path / "b.frames", "..-b-up-b-"),
    ]

    result = report(*files, "-o", tmp_path / "out")

    inside = sorted(p.name for p in (tmp_path / "out").iterdir() if p.is_dir())
    assert result.exit_code == 0, result.output
    assert inside == ["b-up-b-1", "b-up-b-2"]
    assert "<b>" not in (tmp_path / "out" / "strings.html").read_text()
