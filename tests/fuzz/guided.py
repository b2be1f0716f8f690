"""python -m tests.fuzz.guided TARGET EXECUTIONS SEED CORPUS: one process of atheris, a minute at most."""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

_MOST_MB = 2048
_LONGEST_S = (
    60  # by the clock, and a loaded machine stands still for seconds: a hang is longer; CPU time is held in `test_fuzz`
)
_PIECE_S = 60  # atheris keeps some of every execution, where the readers keep nothing: 2 GB in three minutes


def main() -> None:
    """Run the target on what is in the corpus, and on what coverage leads to from there."""
    name, executions, seed, corpus = sys.argv[1:]
    with atheris.instrument_imports(include=["evenstring", "evenstring_protocol"]):
        from tests.fuzz.targets import TARGETS  # noqa: PLC0415  # imported under the instruments
    options = [f"-runs={executions}", f"-max_total_time={_PIECE_S}", f"-seed={seed}", "-max_len=4096"]
    found = f"-artifact_prefix={Path.cwd()}/{name}-"
    bounds = [f"-timeout={_LONGEST_S}", f"-rss_limit_mb={_MOST_MB}", "-verbosity=0", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], corpus, *options, *bounds, found], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
