"""Importing a table against pandas reading it and nothing more, in one run; wall clock and peak memory of each."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

GROUPS = 24
ROWS = 600_000
_RUN = """
import sys, time
from pathlib import Path
import pandas as pd
from evenstring.io.table import import_table
from evenstring.profile import parse_profile
began = time.perf_counter()
if sys.argv[1] == "reader":
    for _ in pd.read_csv(sys.argv[2], chunksize=20_000):
        pass
else:
    with open(sys.argv[2] + ".frames", "wb") as out:
        import_table(Path(sys.argv[2]), parse_profile("[pack]\\ngroups = 24\\n"), out)
seconds = time.perf_counter() - began
# Of this program alone: getrusage counts what the process was before it began to run this.
status = Path("/proc/self/status")
peak = [line for line in status.read_text().splitlines() if line.startswith("VmHWM")] if status.exists() else []
print(seconds, int(peak[0].split()[1]) / 1024 if peak else float("nan"))
"""


def _table(path: Path) -> None:
    rng = np.random.default_rng(1)
    with path.open("w") as file:
        file.write("t_s," + ",".join(f"g{k}" for k in range(1, GROUPS + 1)) + ",current_a\n")
        for first in range(0, ROWS, 20_000):
            volts = rng.uniform(3.0, 4.2, (20_000, GROUPS)).tolist()
            rows = (
                f"{(first + k) * 0.1:.3f},{','.join(f'{v:.4f}' for v in row)},5.00\n" for k, row in enumerate(volts)
            )
            file.write("".join(rows))


def _measured(kind: str, path: Path) -> tuple[float, float]:
    done = subprocess.run([sys.executable, "-c", _RUN, kind, str(path)], capture_output=True, text=True, check=True)
    seconds, megabytes = done.stdout.split()
    return float(seconds), float(megabytes)


def run() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        _table(path)
        (reader_s, _), (import_s, import_mb) = _measured("reader", path), _measured("import", path)
        size = path.stat().st_size / 1e6
    speed = f"import {size / import_s:.0f} MB/s, {reader_s / import_s:.2f} of the speed of pandas alone"
    return [f"table of {size:.0f} MB: {speed}, {import_mb:.0f} MB of memory at most"]
