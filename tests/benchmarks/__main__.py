"""`python -m tests.benchmarks [NAME...]`: every module of this folder with a `run() -> list[str]`, or the named ones.

All figures are ratios between things run side by side in one process, so that a slow machine changes little.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys

from tests import benchmarks


def main(wanted: list[str]) -> None:
    names = [m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_")]
    unknown = sorted(set(wanted) - set(names))
    if unknown:
        sys.exit(f"no such benchmark: {', '.join(unknown)}; there are {', '.join(names)}")
    for name in wanted or names:
        run = getattr(importlib.import_module(f"tests.benchmarks.{name}"), "run", None)
        if run is None:
            continue
        print(f"{name}:")
        for line in run():
            print(f"  {line}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
