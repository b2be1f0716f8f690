"""A share of the fuzzing in every run: all seeds and finds, then seeded mutations; the rest in `make soak`."""

from __future__ import annotations

import subprocess
import sys
import time
import warnings

import numpy as np
import pytest
from evenstring.wire.stream import StreamDecoder

from tests.fuzz.mutate import mutated
from tests.fuzz.seeds import FOUND, seeds_of
from tests.fuzz.targets import TARGETS

# Executions in every run, a few seconds of one core each; and what makes ten million in all in the soak.
SHARE = {"stream": 2500, "delta": 300, "recording": 2500, "table": 2500, "pack": 30_000, "scenario": 10_000,
         "front_end": 30_000}  # fmt: skip
SOAK = {"stream": 300_000, "delta": 100_000, "recording": 500_000, "table": 400_000, "pack": 4_000_000,
        "scenario": 2_000_000, "front_end": 2_700_000}  # fmt: skip
SLOWEST_S = 1.0  # an input of 4 kB that takes longer is a hang


@pytest.mark.parametrize("name", TARGETS)
def test_no_input_breaks_the_law_of_its_reader(name: str) -> None:
    rng, seeds = np.random.default_rng(20_261_126), seeds_of(name)
    inputs = (*seeds, *(mutated(seeds, rng) for _ in range(SHARE[name])))
    slowest_s = 0.0
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # numpy's word for a number made of nothing
        for data in inputs:
            began_s = time.process_time()
            TARGETS[name](data)
            slowest_s = max(slowest_s, time.process_time() - began_s)

    assert slowest_s < SLOWEST_S


def test_the_finds_are_among_the_seeds() -> None:
    finds = list(FOUND.glob("*-*"))

    assert finds
    assert all(path.read_bytes() in seeds_of(path.name.split("-")[0]) for path in finds)


def test_the_laws_would_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    """A decoder that drops every tenth frame breaks the law of streams."""
    decode = StreamDecoder.feed

    def forgetful(self: StreamDecoder, data: bytes) -> object:
        return decode(self, data[: max(len(data) - 9, 0)])

    monkeypatch.setattr(StreamDecoder, "feed", forgetful)

    with pytest.raises(AssertionError):
        TARGETS["stream"](seeds_of("stream")[-1])


@pytest.mark.soak
@pytest.mark.parametrize("name", TARGETS)
def test_ten_million_executions_guided_by_coverage(name: str) -> None:
    command = [sys.executable, "-m", "tests.fuzz", name, str(SOAK[name])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    print((done.stdout.strip().splitlines() or [""])[-1])

    assert done.returncode == 0, done.stderr[-3000:]
