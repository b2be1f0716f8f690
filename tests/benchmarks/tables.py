"""Reading a table against a loop over the standard library's `csv` and `float`, with and without empty cells."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

from evenstring.io.table_csv import read_table

from tests.benchmarks.decode import seconds

GROUPS = 24


def run() -> list[str]:
    lines = []
    for name, last in (("every cell a number", "4.0123"), ("an empty cell in each row", "")):
        head = "t_s," + ",".join(f"g{k}" for k in range(1, GROUPS + 1))
        cells = ",".join(["4.0123"] * (GROUPS - 1))
        text = "\n".join([head, *(f"{k},{cells},{last}" for k in range(20_000))])
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "table.csv"
            path.write_text(text)
            ours = seconds(lambda path=path: read_table(path, GROUPS), 3)
        loop = seconds(
            lambda text=text: [[float(c or "nan") for c in r] for r in list(csv.reader(io.StringIO(text)))[1:]], 3
        )
        lines.append(
            f"20,000 rows, {name}: {ours / 20_000 * 1e6:.1f} us a row, csv + float loop {loop / ours:.1f} x as long"
        )
    return lines
