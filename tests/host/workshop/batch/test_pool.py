"""Processes at work: one that dies takes its own file with it, and no other."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from evenstring.workshop.batch.pool import DIED, run_here
from evenstring.workshop.batch.row import Row
from evenstring.workshop.batch.task import Settings, Task, perform

pytestmark = pytest.mark.slow  # processes are started


def dies_on_some(task: Task) -> Row:
    """As a fault in a compiled library would end it."""
    if task.name == "deadly":
        os._exit(139)
    return Row(task.name, "ride", "as it should be")


def raises_on_some(task: Task) -> Row:
    if task.name == "faulty":
        raise ValueError("a fault of ours")
    return Row(task.name, "ride", "as it should be")


def tasks(*names: str) -> list[Task]:
    return [Task(name, Path("/nowhere") / name, Path("/nowhere/out") / name, Settings()) for name in names]


@pytest.mark.parametrize("workers", [1, 2])
def test_a_worker_that_dies_marks_its_own_file_and_all_others_are_done(workers: int) -> None:
    names = ("a", "b", "deadly", "c", "d")
    rows = {r.name: r for r in run_here(tasks(*names), workers, dies_on_some)}

    assert set(rows) == set(names)
    assert {n: r.error for n, r in rows.items() if r.error} == {"deadly": DIED}


def test_a_fault_of_our_own_stands_in_the_row_of_its_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenstring.workshop.batch.task._done", raises_on_some)

    row = perform(tasks("faulty")[0])

    assert row.action == "unread"
    assert "ValueError: a fault of ours" in row.error
