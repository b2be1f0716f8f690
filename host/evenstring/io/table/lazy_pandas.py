"""pandas, loaded when something of it is first used: commands that read no table start a fifth of a second sooner."""

from __future__ import annotations

import importlib.util
import sys
from types import ModuleType
from typing import TYPE_CHECKING

__all__ = ["pd"]


def _when_used(name: str) -> ModuleType:
    """A module that is loaded with its first attribute (the recipe of the standard library's `importlib` page)."""
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.find_spec(name)
    if spec is None or spec.loader is None:
        raise ImportError(f"{name} is not installed")
    loader = importlib.util.LazyLoader(spec.loader)
    spec.loader = loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    loader.exec_module(module)
    return module


if TYPE_CHECKING:
    import pandas as pd
else:
    pd = _when_used("pandas")
