"""The page of a calibration and what its command keeps; boards, meters and packs are invented."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.commands.bench.kept import Made, calibration_of, keep, read_kept
from evenstring.errors import InputError
from evenstring.hardware.calibrate import ReferencePoint, calibrate, joined
from evenstring.hardware.calibrations import Calibration
from evenstring.hardware.procedures import procedure
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.session import Correction, Ident, Session
from evenstring.workshop.calibration_page import calibration_page, part_limits
from evenstring.workshop.job import Job, job_rows
from evenstring.workshop.paper.sheet import LevelLine, sheet_data

from tests.host.looks import NASTY

GROUPS = 12
JOB = Job(meter="bench meter 3", meter_certificate="K-881", meter_uncertainty="0.02 % + 0.5 mV (k = 2)")


def made(
    year: int = 2025,
    volts: tuple[float, ...] = (3.3, 3.7, 4.1),
    moved_mv: float = 0.0,
    job: Job = JOB,
    board: str = "a",
) -> Made:
    """A calibration; group 7's readings are higher by `moved_mv` than in others made so."""
    rng = np.random.default_rng(year)
    true = np.repeat(volts, 60)[:, None] * np.ones(GROUPS)
    readings = true + np.linspace(-0.004, 0.004, GROUPS) + rng.normal(0, 1e-4, true.shape)
    readings[:, 6] += moved_mv * 1e-3
    session = Session(
        time_s=np.arange(len(true), dtype=float), volts_v=readings.astype(np.float32),
        quality=np.zeros(true.shape, np.uint8), span_s=np.zeros(len(true), np.float32),
        start=datetime(year, 3, 2, 9, tzinfo=UTC), ident=Ident(groups=GROUPS, front_end="relay_scan", board_id=board),
    )  # fmt: skip
    points = [
        ReferencePoint(g, k * 60, k * 60 + 59, v, 4e-4) for g in range(1, GROUPS + 1) for k, v in enumerate(volts)
    ]
    channels = calibrate(session, points)
    whole = joined(channels, [0] * GROUPS, [0] * GROUPS, "relay_scan")
    return Made(calibration_of(session, channels, whole, job, 12), channels, session)


def page(latest: Made, *before: Calibration) -> str:
    return calibration_page(latest.channels, [*before, latest.calibration], part_limits("relay_scan", GROUPS), "trike")


def test_the_first_screen_says_how_far_off_it_was_what_is_left_and_when_again() -> None:
    text = page(made())
    first = text[text.index("<header") : text.index("</header>")]

    assert "Calibrated: 4.0 mV off at most as it was found" in first
    assert "Calibrate again from:</strong> 2026-03-02" in first
    assert "passes through all readings" not in first
    assert text.count("<svg") == 2
    assert "bench meter 3" in text
    assert "can kill" in text
    assert not re.search(r"""(src|href)=["']?https?:""", text)  # self-contained


def test_with_no_reading_to_spare_it_shows_nothing_as_left_and_says_why() -> None:
    for volts in ((3.7,), (3.3, 4.1)):
        text = page(made(volts=volts))

        assert "passes through all readings" in text
        assert text.count("<svg") == 1


def test_a_group_that_moved_since_the_last_calibration_is_named_first() -> None:
    moved, still = (page(made(2026, moved_mv=mv), made().calibration) for mv in (5.0, 0.0))

    assert "Calibrated, and group 7 had moved by more than was known" in moved
    assert "had moved" not in still
    assert "No group moved against the others by more than both leave unknown" in still


def test_limits_are_those_of_the_budget_and_the_procedures() -> None:
    limits = part_limits("relay_scan", 20)
    assert limits is not None
    assert limits.left_mv == pytest.approx(0.41, abs=0.01)  # `evenstring budget --groups 20`: 203.6 uV, k = 1
    assert limits.found_mv == next(s.high for s in procedure("first", 20) if s.key == "compare")
    assert part_limits("divider_bank", 20) is None
    assert part_limits("unknown", 20) is None


def test_what_people_wrote_acts_on_nothing() -> None:
    text = page(made(job=replace(JOB, meter=NASTY, operator=NASTY)))

    assert "<script>alert" not in text
    assert "\x1b" not in text


def test_a_folder_keeps_every_calibration_once_and_of_one_board_only(tmp_path: Path) -> None:
    first, second = made(2025), made(2026)
    keep(tmp_path, second)
    keep(tmp_path, first)
    keep(tmp_path, first)

    assert [c.found.year for c in read_kept(tmp_path)] == [2025, 2026]
    assert "calibrated 2026-03-02" in (tmp_path / "calibration.html").read_text()  # the latest stays pictured
    with pytest.raises(InputError, match="holds calibrations of board 'a', 12 groups, not of 'b'"):
        keep(tmp_path, made(2027, board="b"))
    assert len(read_kept(tmp_path)) == 2


def test_the_command_takes_a_hand_written_table_keeps_it_and_tells_when_it_is_due(tmp_path: Path) -> None:
    """A table of a recording at rest, and readings group by group with semicolons and decimal commas, in mV."""
    rows = "\n".join(f"2025-03-02T09:{k // 60:02}:{k % 60:02}Z,3.7004,3.6981,3.7010" for k in range(60))
    (tmp_path / "t.csv").write_text(f"time,g1,g2,g3\n{rows}\n")
    (tmp_path / "meter.csv").write_text("Gruppe;Spannung (mV);Notiz\n1;3700,0;a\n2;3700,0;\n3;3701,5;\n")
    recording, kept = str(tmp_path / "rest.frames"), str(tmp_path / "kept")
    CliRunner().invoke(cli, ["import", str(tmp_path / "t.csv"), "--groups", "3", "-o", recording])
    command = ["calibrate", recording, str(tmp_path / "meter.csv"), "--keep", kept, "--interval", "6"]
    unknown = CliRunner().invoke(cli, command)
    done = CliRunner().invoke(cli, [*command, "--job", "meter_uncertainty=0.5 mV (k = 2)", "--job", "temperature_c=19"])
    shown = CliRunner().invoke(cli, ["calibrate", "--show", kept])

    assert "nothing says how uncertain the meter is" in str(unknown.exception)
    assert done.exit_code == 0, done.output
    assert done.output.startswith("CAUTION")
    assert "columns not used: Notiz" in done.output
    (one,) = read_kept(Path(kept))
    assert one.offset_uv == pytest.approx((-400, 1900, 500), abs=110)  # a step of the wire is 200 uV
    assert (one.found.date(), one.due, one.temperature_c) == (date(2025, 3, 2), date(2025, 9, 2), 19.0)
    assert "calibration due since 2025-09-02" in shown.output


def test_the_hand_meters_due_day_stands_beside_its_calibration() -> None:
    job = Job(meter_calibrated="2025-03-02")

    assert job_rows(job, date(2026, 3, 2)) == [("hand meter's calibration", "2025-03-02; due since 2026-03-02")]
    assert job_rows(job, date(2026, 3, 1)) == job_rows(job) == [("hand meter's calibration", "2025-03-02")]
    assert job_rows(Job(meter_calibrated="last spring"), date(2030, 1, 1))[0][1] == "last spring"


def test_report_and_sheet_say_since_when_their_monitor_is_due() -> None:
    session = made(2026).session
    held = Correction(0.0, "command", False, datetime(2024, 5, 1, tzinfo=UTC), (0,) * GROUPS, (0,) * GROUPS)
    material = gather_material(replace(session, corrections=(held,)), PackProfile(groups=GROUPS))

    assert report_json(material)["instrument"]["calibration_due_since"] == "2025-05-01"
    assert "found 2024-05-01; due since 2025-05-01" in render(material)
    head = dict(sheet_data(report_json(material), ["a.frames"], LevelLine())["head"])
    assert head["monitor's calibration"] == "found 2024-05-01; due since 2025-05-01"
