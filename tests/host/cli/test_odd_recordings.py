"""Recordings at the edge of sense: a report or one clear line, never a traceback, a warning or a NaN."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from evenstring.cli import main
from evenstring.wire.encode import message

from tests.host.streams import recording


def all_of(code: int) -> bytes:
    return recording(30, 4, reading=np.full((30, 8), code, np.int16))


def one_open_lead() -> bytes:
    reading = np.random.default_rng(1).integers(18000, 20000, (30, 8)).astype(np.int16)
    reading[:, [1, 5]] = -32766
    return recording(30, 4, reading=reading)


ODD = {
    "no scan at all": recording(0, 4),
    "nothing but a note": message("MARK_NOTE", 0, 0, text="alone"),
    "one scan": recording(1, 4),
    "two scans of one group": recording(2, 1),
    "no reading anywhere": all_of(-32768),
    "all leads open": all_of(-32766),
    "one lead open": one_open_lead(),
    "all over range": all_of(32767),
    "all reversed beyond range": all_of(-32767),
    "all at zero": all_of(0),
    "no extras": recording(30, 4, current_10ma=None, temp_cdegc=None),
    "a current never read": recording(30, 4, current_10ma=np.full((30, 1), -32768, np.int16)),
    "mischief": recording(30, 4) + message("MARK_NOTE", 0, 0, text="<script>x</script>\x1b[31m\u202e"),
}  # fmt: skip


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("case", ODD)
def test_odd_recordings_give_a_report(tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str) -> None:
    path = tmp_path / "odd.frames"
    path.write_bytes(ODD[case])
    with pytest.raises(SystemExit) as ended:
        main(["report", str(path), "-o", str(tmp_path / "report")])
    text = (tmp_path / "report" / "report.json").read_text()

    assert ended.value.code == 0
    assert capsys.readouterr().err == ""
    assert (
        json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} in report.json"))["recording"]["groups"] <= 4
    )
    assert "<script>x" not in (tmp_path / "report" / "report.html").read_text()


@pytest.mark.parametrize(
    ("toml", "expected"),
    [('[pack]\ngroups = "x"\n', "whole number"), ("[pack]\ngroups = 9\n", "says 9 groups"), ("[", "not valid TOML")],
)
def test_a_bad_profile_inside_a_recording_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], toml: str, expected: str
) -> None:
    path = tmp_path / "odd.frames"
    path.write_bytes(recording(30, 4) + message("MARK_PACK", 0, 0, toml=toml))
    with pytest.raises(SystemExit) as ended:
        main(["report", str(path), "--json"])
    err = capsys.readouterr().err

    assert ended.value.code == 1
    assert expected in err
    assert err.count("\n") == 1
