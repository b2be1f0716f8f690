"""Calibration: what it finds in sessions whose errors are known, checked with the firmware's own arithmetic."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.commands.bench.calibrate import command
from evenstring.errors import InputError
from evenstring.hardware.calibrate import ReferencePoint, calibrate, compose
from evenstring.session import Session

from tests.hardware.firmware_source import function

GROUPS = 4
OFFSET_V = np.array([0.0012, -0.0030, 0.0, 0.0051])
GAIN = np.array([0.0040, -0.0021, 0.0065, 0.0001])


def session(true_v: tuple[float, ...] = (3.3, 4.1), noise_v: float = 0.0003, scans: int = 200) -> Session:
    """`scans` scans at each true voltage, as a meter with OFFSET_V and GAIN still to be applied shows them."""
    rng = np.random.default_rng(7)
    true = np.repeat(true_v, scans)[:, None] * np.ones(GROUPS)
    raw = true / (1 + GAIN) - OFFSET_V + rng.normal(0, noise_v, true.shape)
    n = len(true)
    return Session(
        time_s=np.arange(n, dtype=float),
        volts_v=raw.astype(np.float32),
        quality=np.zeros((n, GROUPS), np.uint8),
        span_s=np.zeros(n, np.float32),
    )


def points(true_v: tuple[float, ...] = (3.3, 4.1), scans: int = 200, u_v: float = 0.0005) -> list[ReferencePoint]:
    return [
        ReferencePoint(g, k * scans, (k + 1) * scans - 1, v, u_v)
        for g in range(1, GROUPS + 1)
        for k, v in enumerate(true_v)
    ]


def test_known_offset_and_gain_are_found() -> None:
    for channel, offset, gain in zip(calibrate(session(), points()), OFFSET_V, GAIN, strict=True):
        assert channel.offset_uv == pytest.approx(offset * 1e6, abs=400)
        assert channel.gain_ppm == pytest.approx(gain * 1e6, abs=100)


def test_fit_agrees_with_numpys_least_squares() -> None:
    # Outside reference: numpy.polyfit on the same means (three points, equal weights).
    volts = (3.0, 3.6, 4.2)
    s = session(volts)
    raw = [float(s.volts_v[k * 200 : (k + 1) * 200, 0].mean(dtype=float)) for k in range(3)]
    slope, cut = np.polyfit(raw, volts, 1)
    channel = calibrate(s, points(volts))[0]
    assert channel.gain_ppm == pytest.approx((slope - 1) * 1e6, abs=15)
    assert channel.offset_uv == pytest.approx(cut / slope * 1e6, abs=50)


def test_one_voltage_gives_an_offset_and_no_gain() -> None:
    channels = calibrate(session((3.7,)), points((3.7,)))
    assert [c.gain_ppm for c in channels] == [0] * GROUPS
    expected = (3.7 - 3.7 / (1 + GAIN) + OFFSET_V) * 1e6
    assert [c.offset_uv for c in channels] == pytest.approx(list(expected), abs=100)


def test_firmware_with_this_calibration_reads_the_truth() -> None:
    wire = SimpleNamespace(OVER_POSITIVE=32767, OVER_NEGATIVE=-32767)
    steps = function("front/relay_scan.py", "_steps", OVER=6_000_000, wire=wire)
    channels = calibrate(session(noise_v=1e-6), points())
    front = SimpleNamespace(_offset_uv=[c.offset_uv for c in channels], _gain_ppm=[c.gain_ppm for c in channels])
    for group in range(1, GROUPS + 1):
        raw_uv = round((3.85 / (1 + GAIN[group - 1]) - OFFSET_V[group - 1]) * 1e6)
        assert steps(front, group, raw_uv) * 200 == pytest.approx(3_850_000, abs=300)


def test_uncertainty_has_the_references_part_apart_from_the_channels_own() -> None:
    channel = calibrate(session(), points(u_v=0.002))[0]
    assert channel.u_reference_v == 0.002
    assert 1e-5 < channel.u_own_v < 3e-4


def test_noise_is_covered_by_the_stated_uncertainty() -> None:
    # GUM: of 4 channels x 50 sessions, the corrected mean at a third voltage lies within 2 u in most cases.
    hits = 0
    for seed in range(50):
        rng = np.random.default_rng(seed)
        s = session()
        noisy = Session(
            s.time_s, (s.volts_v + rng.normal(0, 0.001, s.volts_v.shape)).astype(np.float32), s.quality, s.span_s
        )
        for c, offset, gain in zip(calibrate(noisy, points()), OFFSET_V, GAIN, strict=True):
            raw = 3.7 / (1 + gain) - offset
            hits += abs((raw + c.offset_uv * 1e-6) * (1 + c.gain_ppm * 1e-6) - 3.7) <= 2 * c.u_own_v
    assert hits >= 190


def test_two_corrections_compose() -> None:
    first, then = (1500, 4000), (-700, -2500)
    offset, gain = compose(first, then)
    raw = 3_900_000.0
    twice = ((raw + first[0]) * (1 + first[1] * 1e-6) + then[0]) * (1 + then[1] * 1e-6)
    assert (raw + offset) * (1 + gain * 1e-6) == pytest.approx(twice, abs=5)


def test_a_fault_is_not_calibrated_away() -> None:
    wrong = [ReferencePoint(p.group, p.start_s, p.end_s, p.volts_v + 0.2, p.u_v) for p in points()]
    with pytest.raises(InputError, match="a fault"):
        calibrate(session(), wrong)


def test_missing_group_and_too_few_readings_are_named() -> None:
    with pytest.raises(InputError, match="group 4 has no reference"):
        calibrate(session(), [p for p in points() if p.group != 4])
    with pytest.raises(InputError, match="group 5, and the recording has groups 1 to 4"):
        calibrate(session(), [*points(), ReferencePoint(5, 0, 99, 3.3, 0.001)])
    with pytest.raises(InputError, match="good readings"):
        calibrate(session(), [ReferencePoint(g, 0, 4, 3.3, 0.001) for g in range(1, 5)])


def test_as_found_and_as_left_are_reading_less_reference() -> None:
    for channel, offset, gain in zip(calibrate(session(), points()), OFFSET_V, GAIN, strict=True):
        for fit, true in zip(channel.fits, (3.3, 4.1), strict=True):
            assert fit.volts_v == true
            assert fit.found_v == pytest.approx(true / (1 + gain) - offset - true, abs=1e-4)
            assert abs(fit.left_v) < 1e-4


def test_a_reading_taken_while_the_group_moved_is_refused_or_counts_as_less_certain() -> None:
    still = session((3.7,), noise_v=1e-4)
    at = [ReferencePoint(g, -math.inf, math.inf, 3.7, 0.0005) for g in range(1, GROUPS + 1)]

    def moving(by_v: float) -> Session:
        return replace(still, volts_v=still.volts_v + np.linspace(0, by_v, 200, dtype=np.float32)[:, None])

    # Drift from end to end as a rectangle (JCGM 100:2008, 4.3.7): half its width over the root of 3.
    assert calibrate(moving(0.003), at)[0].u_own_v == pytest.approx(0.003 / 2 / math.sqrt(3), rel=0.05)
    assert calibrate(still, at)[0].u_own_v < 1e-4
    with pytest.raises(InputError, match=r"whole recording: moved by 2\d mV, so the pack was not at rest"):
        calibrate(moving(0.025), at)


def _files(folder: Path) -> tuple[Path, Path, Path]:
    """A recording made by the importer from the session's numbers, its reference table, and a board description."""
    s = session(scans=40)
    table, pack = folder / "t.csv", folder / "pack.toml"
    pack.write_text(f"[pack]\ngroups = {GROUPS}\n")
    rows = [",".join(f"{v:.5f}" for v in (t, *row)) for t, row in zip(s.time_s, s.volts_v, strict=True)]
    table.write_text("t_s," + ",".join(f"g{g}" for g in range(1, GROUPS + 1)) + "\n" + "\n".join(rows) + "\n")
    recording = folder / "rest.frames"
    done = CliRunner().invoke(cli, ["import", str(table), "--pack", str(pack), "-o", str(recording)])
    assert done.exit_code == 0, done.output
    reference = folder / "meter.csv"
    lines = [f"{p.group},{p.start_s},{p.end_s},{p.volts_v:.4f},{p.u_v}" for p in points(scans=40)]
    reference.write_text("group,start_s,end_s,volts,u_volts\n" + "\n".join(lines) + "\n")
    board = folder / "board.json"
    board.write_text(json.dumps({"groups": GROUPS, "name": "invented"}))
    return recording, reference, board


def test_command_writes_a_board_description_that_the_firmware_takes(tmp_path: Path) -> None:
    recording, reference, board = _files(tmp_path)
    new = tmp_path / "new.json"
    done = CliRunner().invoke(command, [str(recording), str(reference), "--board", str(board), "-o", str(new)])
    assert done.exit_code == 0, done.output
    assert done.output.startswith("CAUTION")
    data = json.loads(new.read_text())
    whole = function("base/description.py", "_whole")
    check = function("base/description.py", "_check_calibration", _whole=whole)
    assert check(data["calibration"], GROUPS) == ""
    assert data["calibration"]["gain_ppm"][0] == pytest.approx(4000, abs=200)
    assert data["meter"]["gain_u_ppm"] == 152  # 0.5 mV of 3.3 V
    assert data["name"] == "invented"


def test_command_overwrites_nothing_and_checks_the_board(tmp_path: Path) -> None:
    recording, reference, board = _files(tmp_path)
    args = [str(recording), str(reference), "--board", str(board), "-o"]
    assert isinstance(CliRunner().invoke(command, [*args, str(board)]).exception, InputError)
    board.write_text('{"groups": 5}')
    assert "5 groups" in str(CliRunner().invoke(command, [*args, str(tmp_path / "n.json")]).exception)
    board.write_text("[]")
    assert isinstance(CliRunner().invoke(command, [*args, str(tmp_path / "n.json")]).exception, InputError)
    board.write_text("{")
    assert isinstance(CliRunner().invoke(command, [*args, str(tmp_path / "n.json")]).exception, InputError)
    assert CliRunner().invoke(command, [str(recording), str(reference), "-o", "x"]).exit_code == 2


def test_a_folder_of_another_board_is_told_before_anything_is_written(tmp_path: Path) -> None:
    recording, reference, board = _files(tmp_path)
    args = [str(recording), str(reference), "--board", str(board), "--keep", str(tmp_path / "kept"), "-o"]
    done = CliRunner().invoke(command, [*args, str(tmp_path / "first.json")])
    again = CliRunner().invoke(command, [*args, str(tmp_path / "again.json")])
    history = tmp_path / "kept" / "history.toml"
    assert history.read_text().count("[[calibration]]") == 1  # the recording has no date, and is the same for all that
    history.write_text(history.read_text().replace('board = ""', 'board = "another"').replace("[1", "[2"))
    refused = CliRunner().invoke(command, [*args, str(tmp_path / "second.json")])

    assert (done.exit_code, again.exit_code) == (0, 0), done.output
    assert "give each board a folder of its own" in str(refused.exception)
    assert not (tmp_path / "second.json").exists()
