"""What a circuit is here: parts with pins on nets, each net in one region of the isolation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = ["Circuit", "Part", "Pin"]

NOT_CONNECTED = "-"  # net of a pin that stays free on purpose


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of one part: (part, number on the footprint, what it does)."""

    ref: str
    number: str
    name: str


@dataclass(frozen=True, slots=True)
class Part:
    """One piece. `kind` is a key of the catalogue, which knows its ratings; `value` is what is written on it."""

    ref: str
    kind: str
    value: str
    sheet: str
    nets: dict[str, str]  # pin number -> net
    names: dict[str, str]  # pin number -> name
    option: str = ""  # the option it belongs to; "": always fitted


@dataclass(slots=True)
class Circuit:
    """Parts and nets. Built by `add`; a reference or a net of an undeclared region is an error at once."""

    title: str
    groups: int
    parts: dict[str, Part] = field(default_factory=dict)
    regions: dict[str, str] = field(default_factory=dict)  # net -> region

    def nets(self, region: str, *names: str) -> None:
        """Declare nets of a region: pack, island1, island2 or touch."""
        for name in names:
            if self.regions.setdefault(name, region) != region:
                raise ValueError(f"net {name} is of {self.regions[name]}, not of {region}")

    def add(self, ref: str, kind: str, value: str, sheet: str, pins: str, option: str = "") -> None:
        """Add a part. `pins` holds one `number[:name]=net` a pin, apart by spaces; net `-` is left free on purpose."""
        if ref in self.parts:
            raise ValueError(f"{ref} is there twice")
        nets: dict[str, str] = {}
        names: dict[str, str] = {}
        for item in pins.split():
            pin, _, net = item.partition("=")
            number, _, name = pin.partition(":")
            if net != NOT_CONNECTED and net not in self.regions:
                raise ValueError(f"{ref}: net {net} was not declared")
            nets[number] = net
            names[number] = name or number
        self.parts[ref] = Part(ref, kind, value, sheet, nets, names, option)

    def on_net(self, net: str) -> list[Pin]:
        """Every pin on a net."""
        return [pin for pin, name in self.pins() if name == net]

    def pins(self) -> Iterator[tuple[Pin, str]]:
        """Every pin with its net."""
        for part in self.parts.values():
            for number, net in part.nets.items():
                yield Pin(part.ref, number, part.names[number]), net

    def of_kind(self, kind: str) -> list[Part]:
        """All parts of a kind, by reference."""
        return [p for p in self.parts.values() if p.kind == kind]

    def sheets(self) -> tuple[str, ...]:
        """Sheets in the order in which they were begun."""
        return tuple(dict.fromkeys(p.sheet for p in self.parts.values()))
