"""Order of the sense leads: which tap goes to which pin, line and relay.

Taps are numbered 0 (pack negative) to N (pack positive): tap k stands above group k. Pin k + 1 of the plug takes tap k.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Tap", "drawing", "tap_list"]


@dataclass(frozen=True, slots=True)
class Tap:
    """One sense lead. Voltages are against tap 0, from all groups empty to all groups full."""

    number: int
    pin: int
    place: str
    line: str  # bus line of its relay: even or odd
    relay: int  # place on that line's one-of-n decoder, from 0
    low_v: float
    high_v: float


def tap_list(groups: int, empty_v: float, full_v: float) -> tuple[Tap, ...]:
    """All sense leads of a string in the order in which they are fitted, pack negative first."""

    def place(k: int) -> str:
        if k == 0:
            return "pack negative, below group 1"
        return f"pack positive, above group {k}" if k == groups else f"between group {k} and group {k + 1}"

    return tuple(
        Tap(k, k + 1, place(k), "odd" if k & 1 else "even", k >> 1, k * empty_v, k * full_v) for k in range(groups + 1)
    )


def drawing(groups: int) -> str:
    """The string as text, pack positive on top, each tap with fuse and resistors at the cell end, and its pin."""
    rows = [_tap_row(groups, "pack +")]
    for group in range(groups, 0, -1):
        rows.append(f"            [group {group:>2}]")
        rows.append(_tap_row(group - 1, "pack -" if group == 1 else ""))
    return "\n".join(rows)


def _tap_row(tap: int, name: str) -> str:
    return f"{name:<8}        o--[fuse]--[R]--[R]----/ lead /---- pin {tap + 1:>2}  (tap {tap})"
