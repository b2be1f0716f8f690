"""What all tests of the host share."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from evenstring.analysis import run as findings
from evenstring.analysis.balancing import answer, charge_curve
from evenstring.analysis.results import Balancing
from evenstring.plan import answer as plan
from evenstring.plan import habits
from evenstring.report import material

from tests.once import once


@pytest.fixture
def no_forecast(monkeypatch: pytest.MonkeyPatch) -> None:
    """The forecast of balancing costs seconds a session and is tested where it belongs; here it is left open."""
    left_open = Balancing("not_reached", reasons=("left out in this test",))
    monkeypatch.setattr(findings, "find_balancing", lambda *_: left_open)


@pytest.fixture(scope="session", autouse=True)
def fits_and_years_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The fit of a charge and a year of habits are computed once for the same question; see `tests.once`."""
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "once"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(answer, "explain", once(answer.explain, folder, lambda: charge_curve.CURVES))
        for name in ("outlooks", "least_balancing"):
            patch.setattr(plan, name, once(getattr(plan, name), folder, lambda: habits.HABITS))
        yield


@pytest.fixture
def analyses_once(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """All findings of the same recording are computed once: for tests that ask what is made of them."""
    folder = tmp_path_factory.getbasetemp() / "analyses"
    folder.mkdir(exist_ok=True)
    monkeypatch.setattr(material, "analyse", once(material.analyse, folder))
