"""Fixtures for all tests: the two MicroPythons. Nothing of an extra is imported here, so that any part runs alone."""

from __future__ import annotations

import pytest

from tests.mp import RUNTIMES, Unix64, Wasm32


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
