"""Logbooks of many recordings, written straight into the tables: tests and benchmarks ask what reading them takes."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

from evenstring.logbook.store.database import opened

from tests.host.logbook.store.books import ENTRY, TOLD, add

GROUPS = 24
_FIGURES = asdict(replace(ENTRY, groups=GROUPS, departure_mv=tuple(0.1 * g for g in range(GROUPS)),
                          resistance=(1.0,) * GROUPS))  # fmt: skip


def many(folder: Path, recordings: int, packs: int, report_bytes: int = 2000) -> None:
    """`packs` packs of as many recordings each, two a day; reports of the size given, without sense."""
    for k in range(packs):
        add(folder, k, told=replace(TOLD, name=f"pack {k:03d}", vehicle=None, groups=GROUPS))
    text = json.dumps(_FIGURES | {"start_s": 0.25})
    with opened(folder / "book") as db:
        db.execute("BEGIN")
        db.execute("DELETE FROM recording")
        days = [1.6e9 + 43_200.0 * (k // packs) for k in range(recordings)]
        db.executemany(
            "INSERT INTO recording (id, pack_id, sha256, bytes, path, copied, start_s, duration_s)"
            " VALUES (?, ?, ?, 1, 'x', 0, ?, 3600)",
            ((k + 1, 1 + k % packs, f"{k:064x}", day) for k, day in enumerate(days)),
        )
        db.executemany(
            "INSERT INTO finding (recording_id, version, entry, report) VALUES (?, 'v', ?, ?)",
            ((k + 1, text.replace("0.25", f"{day}", 1), "y" * report_bytes) for k, day in enumerate(days)),
        )
        db.execute("COMMIT")
