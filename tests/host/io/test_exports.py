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
from evenstring.io.battery_data import group_files
from evenstring.io.export import joined, parquet
from evenstring.io.load import count_scans, load_session
from evenstring.session import Session

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
    table = pq.read_table(io.BytesIO(parquet(session)))

    assert table.column_names == ["t_s", "g1", "g2", "g3", "current_a", "temp1_c"]
    np.testing.assert_array_equal(table["t_s"].to_numpy(), session.time_s)
    np.testing.assert_array_equal(table["g1"].to_numpy(), session.volts_v[:, 0])
    assert table["g2"].null_count == 1


def test_parquet_without_pyarrow_says_what_to_install(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError, match=r"evenstring\[parquet\]"):
        parquet(session)


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
