"""The number of conversions changed by command on the virtual board: checked, stated by IDENT, seen in the noise."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evenstring.board.talk import Refused, Talk
from evenstring.board.virtual import VirtualBoard
from evenstring.io.capture import open_port
from evenstring.session import Session
from scipy import stats

from tests.end_to_end.test_calibrate_board import record
from tests.host.board.test_fetch import GROUPS, write_trace

PIECE = 200


def description(talk: Talk) -> dict[str, Any]:
    text, total = b"", 1
    while len(text) < total:
        part = talk.ask("READ_CONFIG", "CONFIG", offset=len(text))
        total, text = part["total"], text + part["data"]
    data: dict[str, Any] = json.loads(text)
    return data


def write(talk: Talk, data: dict[str, Any]) -> None:
    text = json.dumps(data).encode()
    for at in range(0, len(text), PIECE):
        talk.ask("WRITE_CONFIG", "REPLY", total=len(text), offset=at, data=text[at : at + PIECE])


def variance_uv2(session: Session) -> tuple[float, int]:
    """Of one reading, from the difference of both passes, which a slow pack leaves alone; and degrees of freedom."""
    assert session.out_back_v is not None
    away = session.out_back_v - session.out_back_v.mean(axis=0)
    freedom = away.size - away.shape[1]
    return float((away.astype(float) ** 2).sum() / freedom / 2 * 1e12), freedom


def test_more_conversions_are_taken_after_the_restart_and_lower_the_noise(tmp_path: Path) -> None:
    """Variances by the F law of scipy: 16 conversions of white noise of 1 mV leave a sixteenth, and the wire's step."""
    trace = tmp_path / "still.trace"
    write_trace(trace, 20_000)
    trace.with_suffix(".faults.json").write_text(
        json.dumps([{"kind": "noise", "uv": 1000, "start_s": 0, "end_s": None}])
    )
    sessions, idents = [], []
    with VirtualBoard(trace, GROUPS, heap="768k", changes={"current": None}) as board:
        for conversions in (None, 16):
            if conversions:
                line = open_port(board.port)
                talk = Talk(line, board.port)
                data = description(talk)
                data["adc"]["conversions"] = 17
                with pytest.raises(Refused, match="conversions must be 1 to 16"):
                    write(talk, data)
                data["adc"]["conversions"] = conversions
                write(talk, data)
                talk.ask("RESTART", "REPLY")
                line.close()
            sessions.append(record(board.port, tmp_path / f"{conversions}.frames", scans=150))
            idents.append(sessions[-1].ident)
    (one, n_one), (many, n_many) = map(variance_uv2, sessions)
    step_uv2 = 200**2 / 12
    low, high = stats.f.interval(0.999, n_one, n_many)
    ratio = (one - step_uv2) / (many - step_uv2) / 16
    print(f"noise {one**0.5:.0f} uV with one conversion, {many**0.5:.0f} uV with 16; variances 16 x {ratio:.3f} apart")

    assert idents[1].boot_count == idents[0].boot_count + 1
    assert idents[1].scan_ms > 3 * idents[0].scan_ms
    assert sessions[0].meter.noise_v == pytest.approx(130e-6)
    assert sessions[1].meter.noise_v == pytest.approx(np.sqrt((130**2 - step_uv2) / 16 + step_uv2) * 1e-6, abs=1e-6)
    # The noise of the model is a table of 1,021 numbers, told over and over: means of 16 have some 60 of their own.
    assert 0.8 * low < ratio < 1.25 * high
