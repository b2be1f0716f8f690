"""`trend`: months in a few lines and a page; recordings without a time of day are refused, or left out and counted."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from evenstring.cli import main
from evenstring.commands.history import trend
from evenstring.session import Session

from tests.worlds.sessions import make_case


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, out, err


@pytest.fixture
def charges(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of recordings: of March and April, and one without a date."""
    session = make_case(3, "full", with_truth=False).session
    dates = {"march": datetime(2026, 3, 1, tzinfo=UTC), "april": datetime(2026, 4, 1, tzinfo=UTC), "undated": None}

    def loaded(paths: tuple[Path, ...]) -> tuple[Session, tuple[Session, ...]]:
        return replace(session, start=dates[paths[0].stem]), ()

    monkeypatch.setattr(trend, "load_recordings", loaded)
    return [f"{name}.frames" for name in dates]


def test_two_charges_give_what_stands_what_to_do_and_a_page_that_is_not_replaced_unasked(
    capsys: pytest.CaptureFixture[str], charges: list[str], tmp_path: Path
) -> None:
    code, out, _ = run(capsys, "trend", *charges, "-o", tmp_path)

    assert code == 0
    assert "2 recordings · 2026-03-01 to 2026-04-01" in out
    assert "the meter's calibration has no date" in out
    assert "Next charge: " in out
    assert "no time of day: 1 of 3" in out
    assert "<svg" in (tmp_path / "months.html").read_text(encoding="utf-8")

    code, _, err = run(capsys, "trend", *charges, "-o", tmp_path)

    assert code == 1
    assert "--force" in err


def test_without_any_date_it_says_what_to_do(capsys: pytest.CaptureFixture[str], charges: list[str]) -> None:
    code, _, err = run(capsys, "trend", charges[2])

    assert code == 1
    assert "set the board's clock" in err
