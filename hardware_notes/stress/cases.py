"""Single faults of the board, as changes of its circuit; the names are those of `circuit` in failure_modes.toml."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["FAULTS", "State", "fault"]


@dataclass(frozen=True, slots=True)
class State:
    """What is closed, shorted, open, joined, swapped or dead when the circuit is worked out."""

    closed: tuple[int, ...] = ()  # taps whose relays conduct
    zero: bool = False  # zero relay conducts
    short: tuple[str, ...] = ()  # parts that have become a wire
    open: tuple[str, ...] = ()  # parts that have become nothing
    join: tuple[tuple[str, str, float], ...] = ()  # two nets and the resistance between them
    swapped: tuple[int, int] | None = None  # two leads on each other's pins
    cells: dict[int, float] = field(default_factory=dict)  # groups with a voltage of their own


def _lowest_and_top(n: int) -> tuple[int, ...]:
    """The relays of the even line at which the top lead carries most (`bus.worst_drive_a` finds the same)."""
    top = n - n % 2
    taps = list(range(0, top, 2))
    best = max(range(1, len(taps) + 1), key=lambda m: top - (top + sum(taps[:m])) / (m + 1))
    return (*taps[:best], top)


# For a string of n groups, about its middle where the place does not matter.
_CASES: dict[str, Callable[[int], State]] = {
    "healthy": lambda n: State((n // 2 - 1, n // 2)),
    "one_stuck": lambda n: State((0, n - 1, n)),
    "two_stuck": lambda n: State((0, n - n % 2)),
    "two_stuck_near": lambda n: State((n // 2, n // 2 + 2)),
    "wrong_pair": lambda n: State((0, n - 1 + n % 2)),
    "many": lambda n: State(_lowest_and_top(n)),
    "many_and_one": lambda n: State((*_lowest_and_top(n)[:-1], n - 1 + n % 2)),
    "relay_open": lambda n: State((n // 2,)),
    "fuse_open": lambda n: State((n // 2 - 1, n // 2), open=(f"F{n // 2}",)),
    "zero_stuck": lambda n: State((n // 2 - 1, n // 2), zero=True),
    "swapped_below": lambda n: State((n // 2 - 2, n // 2 - 1), swapped=(n // 2 - 1, n // 2)),
    "swapped_at": lambda n: State((n // 2 - 1, n // 2), swapped=(n // 2 - 1, n // 2)),
    "pinch_ends": lambda n: State((n // 2 - 1, n // 2), join=(("TAP0", f"TAP{n}", 0.1),)),
    "pinch_at": lambda n: State((n // 2 - 1, n // 2), join=((f"TAP{n // 2 - 1}", f"TAP{n // 2}", 0.1),)),
    "pinch_below": lambda n: State((n // 2 - 2, n // 2 - 1), join=((f"TAP{n // 2 - 1}", f"TAP{n // 2}", 0.1),)),
    "film_at": lambda n: State((n // 2 - 1, n // 2), join=((f"TAP{n // 2 - 1}", f"TAP{n // 2}", 1e6),)),
    "film_below": lambda n: State((n // 2 - 2, n // 2 - 1), join=((f"TAP{n // 2 - 1}", f"TAP{n // 2}", 1e6),)),
    "film_strong": lambda n: State((n - 1, n), join=((f"TAP{n - 1}", f"TAP{n}", 1e4), ("TAP0", f"TAP{n}", 1e4))),
    "series_short": lambda n: State((n // 2 - 1, n // 2), short=(f"R{n // 2}A",)),
    "series_short_and_stuck": lambda n: State((0, n - n % 2), short=("R0A",)),
    "half_mated": lambda n: State((n // 2 - 1, n // 2), open=tuple(f"R{k}B" for k in range(n // 2, n + 1))),
    "dead": lambda n: State((n // 2 - 1, n // 2), cells={n // 2: 0.0}),
    "reversed": lambda n: State((n // 2 - 1, n // 2), cells={n // 2: -1.0}),
    "tie_earthed": lambda n: State(join=(("JGND", f"CELL{n}", 0.1),)),
    "divider_lower_open": lambda _: State(open=("R92",)),
    "divider_upper_short": lambda _: State(short=("R91A",)),
    "tie_open": lambda _: State(open=("F90",)),
}  # fmt: skip
FAULTS = tuple(_CASES)


def fault(name: str, groups: int) -> State:
    """The circuit's state in the fault `name` of a string of that many groups."""
    return _CASES[name](groups)
