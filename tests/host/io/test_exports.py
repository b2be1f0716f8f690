"""Other formats: the numbers are the session's, and what the formats ask for is there."""

from __future__ import annotations

import io
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from evenstring.cli import main
from evenstring.errors import InputError
from evenstring.io.export.battery_data import group_files
from evenstring.io.export.pieces import Pieces, Shape
from evenstring.io.export.tables import WRITERS, csv_chunks, joined, parquet_chunks
from evenstring.io.load import count_scans, load_session
from evenstring.session import Session
from evenstring.wire.encode import message

from tests.host.streams import recording


@pytest.fixture
def session(tmp_path: Path) -> Session:
    path = tmp_path / "a.frames"
    reading = np.random.default_rng(2).integers(15000, 21000, (30, 6)).astype(np.int16)
    reading[4, [1, 4]] = -32768
    path.write_bytes(recording(30, 3, reading=reading))
    return load_session([path])


def test_parquet_holds_the_session(session: Session) -> None:
    """Read back by pyarrow."""
    table = pq.read_table(io.BytesIO(b"".join(parquet_chunks(Shape.of(session), [session]))))

    assert table.column_names == ["t_s", "g1", "g2", "g3", "current_a", "temp1_c"]
    np.testing.assert_array_equal(table["t_s"].to_numpy(), session.time_s)
    np.testing.assert_array_equal(table["g1"].to_numpy(), session.volts_v[:, 0])
    assert table["g2"].null_count == 1


def test_parquet_without_pyarrow_says_what_to_install(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError, match=r"evenstring\[parquet\]"):
        list(parquet_chunks(Shape.of(session), [session]))


def test_battery_data_format_is_one_file_a_group(session: Session) -> None:
    """Labels as in the format's own reader, `batterydf` 0.1.0 (PyPI)."""
    files = group_files(session, Path("out"))
    rows = [line.split(",") for line in files[1][1].decode().splitlines()]

    assert [p.name for p, _ in files] == [f"evenstring__string-g0{k}__00000000_001.bdf.csv" for k in (1, 2, 3)]
    assert rows[0] == ["Test Time / s", "Voltage / V", "Current / A", "Surface Temperature T1 / degC"]
    assert len(rows) == 1 + 29
    times = np.array([float(r[0]) for r in rows[1:]])
    assert (np.diff(times) > 0).all()
    kept = np.isfinite(session.volts_v[:, 1])
    np.testing.assert_allclose([float(r[1]) for r in rows[1:]], session.volts_v[kept, 1], atol=5.1e-5)


def test_battery_data_format_needs_a_current(tmp_path: Path) -> None:
    path = tmp_path / "a.frames"
    path.write_bytes(recording(3, 3, current_10ma=None))
    with pytest.raises(InputError, match="needs a current"):
        group_files(load_session([path]), tmp_path)


def test_export_to_a_folder_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, folder = tmp_path / "a.frames", tmp_path / "cells"
    path.write_bytes(recording(3, 3))
    arguments = ["export", str(path), "--to", "bdf", "-o", str(folder)]
    codes = []
    for _ in range(2):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        codes.append(ended.value.code)

    assert codes == [0, 1]
    assert len(list(folder.iterdir())) == 3
    assert "exists already" in capsys.readouterr().err


def test_putting_frames_together_holds_none_of_them_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the file, the same memory."""
    monkeypatch.setattr("evenstring.io.load._CHUNK", 1 << 16)
    path, peaks = tmp_path / "a.frames", []
    for scans in (15_000, 60_000):
        path.write_bytes(recording(scans))
        tracemalloc.start()
        assert count_scans([path]) == (scans, 24)
        for _ in joined([path]):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()

    assert peaks[1] < 1.2 * peaks[0]
    assert peaks[1] < path.stat().st_size


def test_pieces_are_the_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that starts again, a clock mark, a lead at 0 V for a moment across two chunks: as loaded at once."""
    reading = np.full((4000, 6), 19000, np.int16)
    reading[1000:3000, 1] = reading[1000:3000, 4] = 0
    path = tmp_path / "a.frames"
    marks = message("MARK_TIME", 0, 5000, unix_ms=1_790_000_000_000)
    path.write_bytes(recording(4000, 3, reading=reading) + recording(500, 3, boot_count=4) + marks)
    whole = load_session([path], whole=True)
    monkeypatch.setattr("evenstring.io.load._CHUNK", 1 << 16)
    pieces = Pieces([path])
    parts = list(pieces)

    assert len(parts) > 2
    assert pieces.scans == whole.scans == 4500
    assert pieces.shape == Shape.of(whole)
    for name in ("time_s", "volts_v", "quality", "current_a", "temps_c"):
        np.testing.assert_array_equal(np.concatenate([getattr(p, name) for p in parts]), getattr(whole, name))
    assert np.isnan(whole.volts_v[1000:3000, 1]).all()
    assert b"".join(csv_chunks(pieces.shape, pieces)) == b"".join(csv_chunks(Shape.of(whole), [whole]))


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_export_of_four_times_the_scans_takes_little_more_memory(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the times of the scans are held, some 200 bytes each while they are placed; the arrays would be 300."""
    monkeypatch.setattr("evenstring.io.load._CHUNK", 1 << 17)
    path, peaks = tmp_path / "a.frames", []
    for count in (8_000, 32_000):
        path.write_bytes(recording(count))
        tracemalloc.start()
        pieces = Pieces([path])
        for _ in WRITERS[kind](pieces.shape, pieces):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()

    assert peaks[1] - peaks[0] < 250 * 24_000
