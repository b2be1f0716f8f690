"""A figure of a budget, with its limit and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Budget", "Line"]


@dataclass(frozen=True, slots=True)
class Line:
    """One figure. `limit` None: for information; `at_least`: a lower limit. `why` says where the figure comes from."""

    key: str
    what: str
    value: float
    unit: str
    why: str
    limit: float | None = None
    at_least: bool = False

    @property
    def ok(self) -> bool:
        """Whether the value keeps its limit."""
        if self.limit is None:
            return True
        return self.value >= self.limit if self.at_least else self.value <= self.limit


@dataclass(frozen=True, slots=True)
class Budget:
    """All figures of one design, in the order in which they are read."""

    title: str
    lines: tuple[Line, ...]

    @property
    def over(self) -> tuple[Line, ...]:
        """The lines that break their limit: with any of them the design is refused."""
        return tuple(line for line in self.lines if not line.ok)

    def value(self, key: str) -> float:
        """The value of the line called `key`."""
        return next(line.value for line in self.lines if line.key == key)
