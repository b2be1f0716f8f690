"""python -m tests.fuzz TARGET EXECUTIONS [SEED]: guided by coverage where atheris is there, else by our mutations."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.fuzz.mutate import mutated
from tests.fuzz.seeds import seeds_of


def main() -> None:
    """Run one target; a breach ends with a traceback and the input in a file."""
    name, executions, seed = sys.argv[1], int(sys.argv[2]), int((sys.argv[3:] or ["1"])[0])
    if importlib.util.find_spec("atheris") is None:
        _by_ourselves(name, executions, seed)
    else:
        _guided(name, executions, seed)


def _guided(name: str, executions: int, seed: int) -> None:
    """In pieces of a minute, each from the corpus that the one before left."""
    left = executions
    with tempfile.TemporaryDirectory() as corpus:
        for k, data in enumerate(seeds_of(name)):
            (Path(corpus) / f"seed-{k}").write_bytes(data)
        while left > 0:
            command = [sys.executable, "-m", "tests.fuzz.guided", name, str(left), str(seed), corpus]
            piece = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
            done = re.search(r"executed_units: *(\d+)", piece.stderr)
            if piece.returncode or done is None:
                sys.exit(f"{piece.stderr}\n{name}: a breach after {executions - left} executions")
            left, seed = left - int(done[1]), seed + 1
            print(
                f"{name}: {executions - left} executions, {len(list(Path(corpus).iterdir()))} inputs kept", flush=True
            )


def _by_ourselves(name: str, executions: int, seed: int) -> None:
    from tests.fuzz.targets import TARGETS  # noqa: PLC0415  # slow to load, and not needed for the guided way

    rng, seeds, slowest_s = np.random.default_rng(seed), seeds_of(name), 0.0
    for _ in range(executions):
        data = mutated(seeds, rng)
        began_s = time.process_time()
        TARGETS[name](data)
        slowest_s = max(slowest_s, time.process_time() - began_s)
    print(f"{name}: {executions} executions, the slowest {slowest_s * 1000:.0f} ms")


if __name__ == "__main__":
    main()
