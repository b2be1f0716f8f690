"""Fixtures for all tests: the two MicroPythons."""

from __future__ import annotations

import os

import pytest

from tests.mp import RUNTIMES, Unix64, Wasm32

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")  # before anything imports it


@pytest.fixture
def runtime64() -> Unix64:
    """The 64-bit Unix port."""
    return Unix64()


@pytest.fixture
def runtime32() -> Wasm32:
    """The 32-bit build."""
    return Wasm32()


@pytest.fixture(params=RUNTIMES, ids=lambda r: r.name)
def runtime(request: pytest.FixtureRequest) -> Unix64 | Wasm32:
    """Each MicroPython in turn."""
    return request.param  # type: ignore[no-any-return]  # pytest types a parameter as Any
