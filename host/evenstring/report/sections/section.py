"""One section of the page, and how its figures are written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from evenstring.analysis.results import Spread, Unknown
from evenstring.report.drawing.axis import clock
from evenstring.report.drawing.picture import Picture, draw

__all__ = ["Figure", "Section", "at", "both", "brief", "claimed", "drawn", "millivolts", "optional", "signed", "volts"]

Figure = tuple[str, str, str]  # label, value, note


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the page."""

    key: str
    title: str
    lines: list[str] = field(default_factory=list)
    pairs: list[Figure] = field(default_factory=list)
    pictures: list[Markup] = field(default_factory=list)
    heads: list[str] = field(default_factory=list)
    rows: Sequence[tuple[str, ...]] = ()
    more: str = ""
    missing: Unknown | None = None


def drawn(picture: Picture | None) -> list[Markup]:
    """A picture as markup, or nothing."""
    return [draw(picture)] if picture else []


def signed(text: str) -> str:
    """A number with a true minus sign."""
    return text.replace("-", "\N{MINUS SIGN}")


def millivolts(value: float | None) -> str:
    """In mV, or that it is not known."""
    return "not known" if value is None else f"{value:.1f} mV"


def volts(value: float | None) -> str:
    """In V; empty when not known."""
    return "" if value is None else f"{value:.3f} V"


def optional(value: float | None, unit: str, digits: int) -> str:
    """With its unit; empty when not known."""
    return "" if value is None else f"{value:.{digits}f} {unit}"


def both(first: str, second: str) -> str:
    """Two notes joined."""
    return f"{first}, {second}" if first and second else first or second


def brief(seconds: float) -> str:
    """A length of time, in seconds while these are few."""
    return f"{seconds:.1f} s" if seconds < 9.95 else f"{seconds:.0f} s" if seconds < 119.5 else clock(seconds)


def at(seconds: float | None) -> str:
    """When, in words."""
    return "" if seconds is None else f"at {clock(seconds)}"


def claimed(spread: Spread, where: str) -> str:
    """The 95 % interval of one of the spread's figures; they differ much between a rest and a ride."""
    for claim in spread.claims:
        if claim.where == where:
            return f"{claim.low_mv:.1f} to {claim.high_mv:.1f} mV (95 %)"
    u = spread.uncertainty_mv
    return "" if u is None or getattr(spread, f"{where}_mv", None) is None else f"± {u:.1f} mV (95 %)"
