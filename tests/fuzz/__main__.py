"""python -m tests.fuzz TARGET EXECUTIONS [SEED]: guided by coverage where atheris is there, else by our mutations."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.fuzz.mutate import mutated
from tests.fuzz.seeds import seeds_of

_MOST_MB = 2048
_LONGEST_S = (
    60  # by the clock, and a loaded machine stands still for seconds: a hang is longer; CPU time is held in `test_fuzz`
)


def main() -> None:
    """Run one target; a breach ends with a traceback and the input in a file."""
    name, executions, seed = sys.argv[1], int(sys.argv[2]), int((sys.argv[3:] or ["1"])[0])
    try:
        import atheris  # noqa: PLC0415  # not there on every system
    except ImportError:
        _by_ourselves(name, executions, seed)
        return
    with atheris.instrument_imports(include=["evenstring", "evenstring_protocol"]):
        from tests.fuzz.targets import TARGETS  # noqa: PLC0415  # imported under the instruments
    with tempfile.TemporaryDirectory() as corpus:
        for k, data in enumerate(seeds_of(name)):
            (Path(corpus) / f"seed-{k}").write_bytes(data)
        options = [f"-runs={executions}", f"-seed={seed}", "-max_len=4096", f"-timeout={_LONGEST_S}", "-verbosity=0"]
        found = f"-artifact_prefix={Path.cwd()}/{name}-"
        atheris.Setup([sys.argv[0], corpus, *options, found, f"-rss_limit_mb={_MOST_MB}"], TARGETS[name])
        atheris.Fuzz()


def _by_ourselves(name: str, executions: int, seed: int) -> None:
    from tests.fuzz.targets import TARGETS  # noqa: PLC0415  # as above

    rng, seeds, slowest_s = np.random.default_rng(seed), seeds_of(name), 0.0
    for _ in range(executions):
        data = mutated(seeds, rng)
        began_s = time.process_time()
        TARGETS[name](data)
        slowest_s = max(slowest_s, time.process_time() - began_s)
    print(f"{name}: {executions} executions, the slowest {slowest_s * 1000:.0f} ms")


if __name__ == "__main__":
    main()
