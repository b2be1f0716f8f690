"""Made tests/data/measured/*.csv out of two source archives of the Python package index, kept so that it can be redone.

python tests/outside/trim_measured.py CELLJAR_FOLDER BATTERY_DATA_TOOLKIT_FOLDER

One cell each: time, voltage and current (charging positive) of whole charges, with what lies around them.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

OUT = Path(__file__).parents[1] / "data" / "measured"
LEAF = (
    "cell-discharge-bitrode-1c", "cell-discharge-bitrode-2c", "cell-discharge-bitrode-3c",
    "cell-low-current-hppc-10c", "cell-low-current-hppc-25c", "cell-low-current-hppc-40c",
)  # fmt: skip


def leaf(folder: Path, name: str) -> list[tuple[float, float, float]]:
    """Time, voltage, current. Some files have no header line; the columns are the same."""
    rows = []
    for line in csv.reader((folder / "data" / "raw" / "ornl_leaf" / f"{name}.csv").open(encoding="utf-8")):
        try:
            rows.append((float(line[1]), float(line[9]), float(line[8])))
        except (ValueError, IndexError):
            continue
    return rows


def arbin(folder: Path) -> list[tuple[float, float, float]]:
    reader = csv.DictReader((folder / "tests" / "files" / "arbin_example.csv").open(encoding="utf-8"))
    return [(float(r["Test_Time"]), float(r["Voltage"]), float(r["Current"])) for r in reader]


def write(name: str, rows: list[tuple[float, float, float]]) -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    with (OUT / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["t_s", "g1", "current_a"])
        last = float("-inf")
        for t, v, i in rows:
            if t > last:  # time must rise
                out.writerow([f"{t:.1f}", f"{v:.4f}", f"{i:.4f}"])
                last = round(t, 1)


if __name__ == "__main__":
    for name in LEAF:
        write(name, leaf(Path(sys.argv[1]), name))
    write("lfp-cccv", arbin(Path(sys.argv[2])))
