"""Fixtures for all tests: the two MicroPythons. Nothing of an extra is imported here, so that any part runs alone."""

from __future__ import annotations

import os
import sys
from typing import Any

import pytest

from tests.mp import RUNTIMES, Unix64, Wasm32

# As the commands do: matrices here are small, and threads of the linear algebra that wait for each other take a core
# each while they do. Before numpy is first imported, here and in what tests start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Tests start a Python some hundred times: compiled files are kept, wherever the shell asks for none.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A file stays with one worker, so that what its tests share is made once and what it imports is imported once."""
    from xdist.scheduler import LoadFileScheduling  # noqa: PLC0415  # there only where tests run side by side

    return LoadFileScheduling(config, log) if config.getoption("dist") == "load" else None


@pytest.fixture
def runtime64() -> Unix64:
    """The 64-bit Unix port."""
    return Unix64()


@pytest.fixture
def runtime32() -> Wasm32:
    """The 32-bit build."""
    return Wasm32()


@pytest.fixture(params=[pytest.param(r, marks=pytest.mark.needs_test_extra if r.bits == 32 else ()) for r in RUNTIMES],
                ids=lambda r: r.name)  # fmt: skip
def runtime(request: pytest.FixtureRequest) -> Unix64 | Wasm32:
    """Each MicroPython in turn."""
    return request.param  # type: ignore[no-any-return]  # pytest types a parameter as Any


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that ask for the 32-bit MicroPython by its own fixture carry the mark too."""
    for item in items:
        if "runtime32" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.needs_test_extra)
