"""Importing a table of 500 MB against pandas reading it and nothing more: CPU time in turns, and memory at most."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

GROUPS = 24
ROWS = 2_720_000
LEAST = 0.5  # of the speed of the reader alone
_BLOCK = 20_000  # rows whose readings come again and again
_RUN = """
import sys, time
from pathlib import Path
import pandas as pd
from evenstring.io.table import import_table
from evenstring.profile import parse_profile
began = time.process_time()
if sys.argv[1] == "reader":
    for _ in pd.read_csv(sys.argv[2], chunksize=20_000):
        pass
else:
    with open(sys.argv[2] + ".frames", "wb") as out:
        import_table(Path(sys.argv[2]), parse_profile("[pack]\\ngroups = 24\\n"), out)
seconds = time.process_time() - began
# Of this program alone: getrusage counts what the process was before it began to run this.
status = Path("/proc/self/status")
peak = [line for line in status.read_text().splitlines() if line.startswith("VmHWM")] if status.exists() else []
print(seconds, int(peak[0].split()[1]) / 1024 if peak else float("nan"))
"""


def _table(path: Path) -> None:
    volts = np.random.default_rng(1).uniform(3.0, 4.2, (_BLOCK, GROUPS)).tolist()
    readings = [",".join(f"{v:.4f}" for v in row) for row in volts]
    with path.open("w") as file:
        file.write("t_s," + ",".join(f"g{k}" for k in range(1, GROUPS + 1)) + ",current_a\n")
        for first in range(0, ROWS, _BLOCK):
            file.write("".join(f"{(first + k) * 0.1:.3f},{row},5.00\n" for k, row in enumerate(readings)))


def _measured(kind: str, path: Path) -> tuple[float, float]:
    done = subprocess.run([sys.executable, "-c", _RUN, kind, str(path)], capture_output=True, text=True, check=True)
    seconds, megabytes = done.stdout.split()
    return float(seconds), float(megabytes)


def run() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        _table(path)
        size = path.stat().st_size / 1e6
        found = [(_measured("reader", path), _measured("import", path)) for _ in range(2)]
    reader_s, import_s = (min(both[k][0] for both in found) for k in (0, 1))
    most_mb = max(both[1][1] for both in found)
    speeds = f"import {size / import_s:.0f} MB/s, pandas alone {size / reader_s:.0f} MB/s"
    return [
        f"table of {size:.0f} MB: {speeds} of CPU, {most_mb:.0f} MB of memory at most",
        f"speed of the import: {reader_s / import_s:.2f} of pandas alone (at least {LEAST})",
    ]
