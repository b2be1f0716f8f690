"""The whole way of a table, for commands and programs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from evenstring.io.table.guess.guess import guess_plan
from evenstring.io.table.guess.layout import split_line
from evenstring.io.table.guess.plan import Plan, Wishes
from evenstring.io.table.recording import Imported, write_recording
from evenstring.io.table.text import TableText, open_table
from evenstring.profile import PackProfile

__all__ = ["import_table", "preview"]


def import_table(
    path: Path,
    profile: PackProfile,
    out: IO[bytes],
    wishes: Wishes | None = None,
    *,
    progress: Callable[[int], None] | None = None,
) -> tuple[Plan, Imported]:
    """Turn the table at `path` into a recording.

    Args:
        path: CSV text of any kind, or a workbook (.xlsx).
        profile: of the pack.
        out: takes the frames.
        wishes: what the user says of the table.
        progress: called with numbers of bytes read.

    Raises:
        InputError: with line, column and what to do.
    """
    with open_table(path) as text:
        plan = _plan(text, profile, wishes)
        return plan, write_recording(text, plan, profile, out, progress)


def preview(
    path: Path, profile: PackProfile, wishes: Wishes | None = None, rows: int = 3
) -> tuple[Plan, list[list[str]]]:
    """The plan for a table, and its first rows as they stand there.

    Raises:
        InputError: as `import_table`.
    """
    with open_table(path) as text:
        plan = _plan(text, profile, wishes)
        lines = text.head[plan.layout.first_row : plan.layout.first_row + rows]
        return plan, [split_line(line, plan.layout.separator) for line in lines]


def _plan(text: TableText, profile: PackProfile, wishes: Wishes | None) -> Plan:
    return guess_plan(text.head, text.tail, profile.groups, text.where, datetime.now(UTC), wishes)
