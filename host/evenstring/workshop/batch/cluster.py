"""The tasks of a batch on several machines, by dask.distributed: a dead worker's tasks are done by another.

All machines see the folder of the batch and that of its reports under the same path, and run the same version of this
program. Whoever reaches a scheduler can run programs on its machines: it belongs into a network of one's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from evenstring.errors import InputError
from evenstring.workshop.batch.row import Row, failed
from evenstring.workshop.batch.task import Task, perform

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["refuse_without_distributed", "run_on"]

_CONNECT_S = 10.0  # our choice
_DIED = "every worker that took it died: out of memory, or a fault; try it alone with `evenstring report`"
_AGAIN = "start the batch again with the same -o: what is done stays done"


def refuse_without_distributed() -> None:
    """Say before the work is done that the library is not there.

    Raises:
        InputError: it is not installed.
    """
    try:
        import distributed  # noqa: F401, PLC0415  # an extra
    except ImportError as error:
        raise InputError(
            "--scheduler needs the extra `cluster`: pip install 'evenstring[cluster]'; without it this machine's cores"
            " do the work"
        ) from error


def run_on(address: str, tasks: Sequence[Task], work: Callable[[Task], Row] = perform) -> Iterator[Row]:
    """Rows as they are done, in any order.

    Args:
        address: of the scheduler, like tcp://192.0.2.7:8786.
        tasks: with paths that all its machines see.
        work: what is done with each; a function that the machines have too.

    Raises:
        InputError: the extra is not installed; the scheduler cannot be reached, has no worker, or was lost.
    """
    refuse_without_distributed()
    from distributed import as_completed  # noqa: PLC0415  # an extra

    with _client(address) as client:
        handed = {client.submit(work, task, pure=False): task for task in tasks}
        suspects = []
        for future in as_completed(handed, loop=client.loop):
            row = _row(handed[future], future)
            if row is None:
                suspects.append(handed[future])
            else:
                yield row
        # With a worker all go that wait for it: alone it shows which of them ends whoever takes it.
        for task in suspects:
            yield _row(task, client.submit(work, task, pure=False)) or failed(task.name, _DIED)


def _client(address: str) -> Client:
    from distributed import Client  # noqa: PLC0415  # an extra

    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    # The library asserts that its own thread starts within ten seconds; a machine that stood still breaks that.
    except (OSError, TimeoutError, ValueError, AssertionError) as error:
        why = str(error) or "the connection did not start"
        raise InputError(
            f"--scheduler {address}: cannot be reached ({why}); say it like tcp://192.0.2.7:8786, as its own first"
            " lines show it"
        ) from error
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError as error:
        client.close()
        raise InputError(
            f"--scheduler {address}: has no worker; start `dask worker {address}` on each machine"
        ) from error
    return client


def _row(task: Task, future: Future[Row]) -> Row | None:
    """The row, or why there is none; None where workers died with it."""
    from distributed import CancelledError, KilledWorker  # noqa: PLC0415  # an extra

    try:
        return future.result()
    except CancelledError as error:
        raise InputError(f"the scheduler was lost; {_AGAIN}") from error
    except KilledWorker:
        return None
    except Exception as error:  # noqa: BLE001  # whatever a machine cannot load stays with this file
        return failed(task.name, f"no worker could do it ({type(error).__name__}: {error})")
