"""Long proofs in two shares: a few cases in every `make test`, all others in `make soak`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

__all__ = ["first_few"]


def first_few(few: int, cases: Iterable[Any]) -> list[Any]:
    """The cases as parameters, those after the first few marked `soak`; a tuple holds several parameters."""
    of = [case if isinstance(case, tuple) else (case,) for case in cases]
    return [pytest.param(*case, marks=pytest.mark.soak if k >= few else ()) for k, case in enumerate(of)]
