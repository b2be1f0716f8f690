"""What a pure function of the product gave once is given again to whoever asks the same, in one run of the tests.

The same recording is looked at by tests of the report, of the plan, of the logbook and of the commands, and the fit of
the balancing takes seconds each time. The key is all that goes in, byte by byte: whatever differs is computed anew. All
workers of a run share what is found; the next run begins with nothing.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

__all__ = ["once"]


def once(function: Callable[..., Any], folder: Path, besides: Callable[[], object] = tuple) -> Callable[..., Any]:
    """The same function, which keeps its results in a folder; `besides`: what it depends on that is no argument."""

    @wraps(function)
    def kept(*args: Any, **kwargs: Any) -> Any:
        asked = pickle.dumps((function.__module__, function.__qualname__, args, kwargs, besides()))
        file = folder / hashlib.sha256(asked).hexdigest()
        if file.exists():
            return pickle.loads(file.read_bytes())
        found = function(*args, **kwargs)
        made = file.with_suffix(f".{os.getpid()}")  # another worker may be at the same
        made.write_bytes(pickle.dumps(found))
        made.replace(file)
        return found

    return kept
