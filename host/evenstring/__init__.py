"""Host side of evenstring: decode what a cell-group monitor sends, and say what it means.

    import evenstring

    session = evenstring.load("charge.frames")
    evenstring.report(session)["verdict"]

host/API.md shows each call at work. They are loaded when first asked for: `import evenstring` alone costs nothing.
"""

from __future__ import annotations

from difflib import get_close_matches
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from evenstring.api import (
        EvenstringError,
        Findings,
        PackProfile,
        Session,
        analyse,
        departures_mv,
        events_table,
        group_table,
        load,
        plot_groups,
        plot_levels,
        plot_spread,
        report,
        spread_mv,
    )

__all__ = [
    "EvenstringError", "Findings", "PackProfile", "Session", "analyse", "departures_mv", "events_table", "group_table",
    "load", "plot_groups", "plot_levels", "plot_spread", "report", "spread_mv",
]  # fmt: skip

try:
    __version__ = version("evenstring")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0.0.0"

# What people type first, from other libraries' habits.
_MEANT = {"analyze": "analyse", "load_session": "load", "open": "load", "read": "load", "build_report": "report"}


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("evenstring.api"), name)
    if name.startswith("__"):
        raise AttributeError(name)
    near = [_MEANT[name]] if name in _MEANT else get_close_matches(name, __all__, 1)
    hint = f"did you mean evenstring.{near[0]}?" if near else f"there are {', '.join(__all__)}"
    raise AttributeError(f"evenstring has no {name!r}; {hint}", name=name, obj=None)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
