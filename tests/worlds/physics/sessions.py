"""`session(seed, paper)`: a session of physics cells, the profile that its owner would have, and its truth.

The same seed and paper give the same session. Kept in a folder, sessions are read back in milliseconds.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
from evenstring.profile import BLEED_RULES, PackProfile, parse_profile
from evenstring.session import Meter, Session

from tests.worlds.physics.families import Drawn, draw
from tests.worlds.physics.meters import read
from tests.worlds.physics.papers import FULL, number_of, paper_of
from tests.worlds.physics.string import Run
from tests.worlds.physics.truth import Truth, truth_of

__all__ = ["kept", "session"]

_VERSION = 3  # of what is kept; raise it when a drawn session changes
_ARRAYS = (
    "time_s",
    "volts_v",
    "quality",
    "span_s",
    "out_back_v",
    "current_a",
    "out_offset_s",
    "back_offset_s",
    "temps_c",
)
_RULE_NAMES = {"threshold": "threshold", "band": "above_lowest", "odd_even": "odd_even"}


def session(seed: int, paper: str, family: str | None = None) -> tuple[Session, PackProfile, Truth]:
    """A session drawn at random (of this family, where one is given), run to its end, and read by its meter."""
    made, toml, truth = _made(seed, paper, family)
    return made, parse_profile(toml), truth


def kept(seed: int, paper: str, folder: Path | None, family: str | None = None) -> tuple[Session, PackProfile, Truth]:
    """The same, kept in a folder."""
    if folder is None:
        return session(seed, paper, family)
    path = folder / f"{paper}_{seed}{'_' + family if family else ''}_v{_VERSION}.npz"
    if path.exists():
        return _load(path)
    made, toml, truth = _made(seed, paper, family)
    folder.mkdir(parents=True, exist_ok=True)
    arrays = {name: getattr(made, name) for name in _ARRAYS if getattr(made, name) is not None}
    meter = json.dumps(dataclasses.asdict(made.meter))
    half = path.with_suffix(".half.npz")
    np.savez_compressed(half, toml=toml, truth=json.dumps(dataclasses.asdict(truth)), meter=meter, **arrays)
    half.replace(path)
    return made, parse_profile(toml), truth


def _load(path: Path) -> tuple[Session, PackProfile, Truth]:
    with np.load(path) as data:
        arrays = {name: data[name] for name in _ARRAYS if name in data.files}
        meter, toml, said = json.loads(str(data["meter"])), str(data["toml"]), json.loads(str(data["truth"]))
    said["faults"] = tuple((int(g), str(c), float(s)) for g, c, s in said["faults"])
    said["departures"] = tuple(tuple(row) for row in said["departures"])
    said["end_groups"] = tuple(said["end_groups"])
    return Session(meter=Meter(**meter), **arrays), parse_profile(toml), Truth(**said)


def _made(seed: int, paper: str, family: str | None) -> tuple[Session, str, Truth]:
    full = [1] if paper.endswith(FULL) else []
    rng = np.random.default_rng([17, seed, number_of(paper), *full])
    while True:
        drawn = draw(paper, rng, family)
        run = Run(drawn.plan)
        try:
            run.go()
            if run.now_s <= 400.0:
                continue
            made, _ = read(run.trace, drawn.meters, rng)
            return made, _profile(drawn, rng), truth_of(drawn, run, seed)
        except FloatingPointError:  # a load that this cell cannot bear, now or as the truth runs on: another
            continue


def _profile(drawn: Drawn, rng: np.random.Generator) -> str:
    """What an owner would write: the label's capacity, and of board and charger what happens to be known."""
    board, charger = drawn.plan.board, drawn.plan.charger
    count = len(board.bleed_a)
    label_ah = drawn.capacity_ah * float(np.clip(1.0 + 0.05 * rng.standard_normal(), 0.88, 1.15))
    lines = ["[pack]", f"groups = {count}", f'chemistry = "{paper_of(drawn.plan.groups.paper).chemistry}"',
             f"capacity_ah = {label_ah:.1f}"]  # fmt: skip
    known = rng.random(5)
    balancer = []
    if known[0] < 0.5:
        wrong = float(rng.choice([1.0, 0.8, 1.2], p=[0.6, 0.2, 0.2]))
        balancer.append(f"bleed_ma = {1e3 * drawn.bleed_a * wrong:.0f}")
    if known[1] < 0.5:
        balancer.append(f"threshold_v = {board.threshold_v:.3f}")
    if known[2] < 0.3 and _RULE_NAMES.get(board.rule) in BLEED_RULES:
        balancer.append(f'rule = "{_RULE_NAMES[board.rule]}"')
    if balancer:
        lines += ["[balancer]", *balancer]
    charge = []
    if known[3] < 0.5:
        charge.append(f"current_a = {charger.stages[0][1]:.1f}")
    if known[4] < 0.5:
        charge.append(f"done_light_a = {charger.light_a:.2f}")
    if charge:
        lines += ["[charger]", *charge]
    return "\n".join(lines) + "\n"
