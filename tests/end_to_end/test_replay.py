"""A kept recording of the firmware, replayed with no hardware and no firmware: whole, damaged, cut and joined."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
from evenstring.cli import main
from evenstring.io.load import load_session

from tests.host.streams import by_reference, decode

KEPT = Path(__file__).parents[1] / "data" / "recordings" / "towpath.frames"


def test_every_frame_agrees_with_cobs_and_zlib() -> None:
    """Outside references: the `cobs` package and `zlib`."""
    data = KEPT.read_bytes()
    found, (good, damaged, lost, unknown, tail) = decode([data])
    expected, expected_damaged = by_reference(data)

    assert [b for _, b in found] == expected
    assert (good, damaged, lost, unknown, tail) == (len(expected), expected_damaged, 0, 0, 0)
    assert damaged == 0


def test_volts_agree_with_struct() -> None:
    """Each scan read again by `struct` alone, from the layout in the specification."""
    session = load_session([KEPT])
    volts = []
    for body in by_reference(KEPT.read_bytes())[0]:
        if body[0] == 2:
            steps = np.array(struct.unpack_from("<48h", body, 17), float).reshape(2, 24)
            volts.append(steps.mean(axis=0) * 200e-6)

    np.testing.assert_allclose(session.volts_v, volts, atol=1e-6)


def test_a_flipped_bit_in_each_of_200_frames_costs_exactly_these(tmp_path: Path) -> None:
    """Body bits that leave no 0x00 behind; three joined copies give frames enough."""
    rng = np.random.default_rng(77)
    pieces = [p for p in (KEPT.read_bytes() * 3).split(b"\0") if p]
    hit = set(rng.choice(np.arange(len(pieces)), 200, replace=False).tolist())
    sent = []
    for k, piece in enumerate(pieces):
        changed = bytearray(piece)
        while k in hit and bytes(changed) == piece:
            at, bit = int(rng.integers(len(piece))), 1 << int(rng.integers(8))
            changed[at] ^= bit if piece[at] != bit else 0
        sent.append(bytes(changed) + b"\0")
    found, (_, damaged, _, _, _) = decode(sent)
    whole = [b for _, b in decode(p + b"\0" for k, p in enumerate(pieces) if k not in hit)[0]]

    assert damaged == 200
    assert [b for _, b in found] == whole


@pytest.mark.parametrize("cut", [0.31, 0.5, 0.77])
def test_a_torn_recording_keeps_every_whole_frame(tmp_path: Path, cut: float) -> None:
    data = KEPT.read_bytes()
    torn = tmp_path / "torn.frames"
    torn.write_bytes(data[: int(len(data) * cut)])
    whole = data[: int(len(data) * cut)].count(b"\0") - data[: int(len(data) * cut)].count(b"\0\0")

    assert load_session([torn]).link.frames_good == len(by_reference(torn.read_bytes())[0]) <= whole


def test_the_command_reports_on_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", str(KEPT), "--json"])
    report = json.loads(capsys.readouterr().out)

    assert ended.value.code == 0
    assert report["recording"]["groups"] == 24
    assert report["recording"]["has_current"]
    assert report["instrument"]["runtime"].startswith("MicroPython")
