"""The same tasks on other machines: here two worker processes of a cluster of this machine, one of which is killed."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from evenstring.errors import InputError
from evenstring.workshop.batch.cluster import run_on
from evenstring.workshop.batch.row import Row
from evenstring.workshop.batch.run import planned, write_overview
from evenstring.workshop.batch.task import Settings, Task, perform

from tests.host.workshop.batch.days import day

pytestmark = [pytest.mark.slow, pytest.mark.needs_test_extra]  # worker processes; of the extra `test`


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    from distributed import LocalCluster  # noqa: PLC0415  # of the extra `test`

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as made:
        yield made


@pytest.fixture(autouse=True)
def collected() -> Iterator[None]:
    """Clients that did not connect are collected here.

    They close themselves then, with a lock that the start of the next one takes: collected by chance within that start
    they would wait for themselves (seen once: a run of all tests that stood still).
    """
    yield
    gc.collect()


def worker_at(cluster: Any) -> int:
    """The process of a worker that has a task under way."""
    from distributed import Client  # noqa: PLC0415  # of the extra `test`

    with Client(cluster.scheduler_address, set_as_default=False) as client:
        busy = [worker for worker, keys in client.processing().items() if keys]
        return int(client.run(os.getpid, workers=busy[:1])[busy[0]])


def test_a_worker_is_killed_on_the_way_and_the_result_is_that_of_this_machine(cluster: Any, tmp_path: Path) -> None:
    folder = day(tmp_path / "monday")
    here = planned(folder, tmp_path / "here", Settings())
    _, expected = write_overview(here, map(perform, here.tasks))
    batch = planned(folder, tmp_path / "there", Settings())

    rows: list[Row] = []
    for row in run_on(cluster.scheduler_address, batch.tasks):
        rows.append(row)
        if len(rows) == 1:
            os.kill(worker_at(cluster), signal.SIGKILL)
    _, files = write_overview(batch, rows)

    assert sorted(r.name for r in rows) == sorted(t.name for t in batch.tasks)
    assert [f.read_bytes() for f in files] == [f.read_bytes() for f in expected]


def dies(task: Task) -> Row:
    """On one of the files, whoever takes it ends."""
    if task.name == "deadly":
        os._exit(139)
    return Row(task.name, "ride", "as it should be")


def test_a_file_that_ends_every_worker_takes_no_other_with_it(cluster: Any) -> None:
    cluster.scheduler.allowed_failures = 0  # how often a worker may die before dask gives the file up: for speed
    tasks = [Task(n, Path("/nowhere"), Path("/nowhere"), Settings()) for n in ("a", "deadly", "b")]

    rows = {r.name: r for r in run_on(cluster.scheduler_address, tasks, dies)}

    assert {n: r.action for n, r in rows.items()} == {"a": "ride", "b": "ride", "deadly": "unread"}
    assert "every worker that took it died" in rows["deadly"].error


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", ""])
def test_a_scheduler_that_is_not_there_is_said_in_one_line(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenstring.workshop.batch.cluster._CONNECT_S", 0.5)

    with pytest.raises(InputError, match="cannot be reached"):
        list(run_on(address, []))


def test_a_connection_that_does_not_start_in_time_is_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen once on a machine that stood still: `distributed` asserts that its thread starts within ten seconds."""

    def stood_still(*_args: object, **_more: object) -> None:
        raise AssertionError

    monkeypatch.setattr("distributed.Client", stood_still)

    with pytest.raises(InputError, match="the connection did not start"):
        list(run_on("tcp://127.0.0.1:9", []))


def test_a_scheduler_without_a_worker_is_not_waited_for_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import LocalCluster  # noqa: PLC0415  # of the extra `test`

    monkeypatch.setattr("evenstring.workshop.batch.cluster._CONNECT_S", 0.5)
    with (
        LocalCluster(n_workers=0, processes=False, dashboard_address=None) as idle,
        pytest.raises(InputError, match="has no worker"),
    ):
        list(run_on(idle.scheduler_address, []))
