"""Electrical rules of the reference board. Each gives a list of sentences; an empty list means that it is kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from schematic.catalog import KINDS
from schematic.net import NOT_CONNECTED, Circuit, Part

__all__ = ["RULES", "broken", "crossing"]

# Pins that drive a net, by kind and name: two of them on one net would fight.
_DRIVES = {
    "decoder": tuple(f"Y{i}" for i in range(16)),
    "gate": ("Y",),
    "inverter": ("Y",),
    "one-shot": ("1Qn", "1Q"),
    "regulator 5 V": ("OUT",),
    "regulator 3.3 V": ("OUT",),
}
_SUPPLY_PINS = ("VDD", "VCC", "VCC1", "VCC2")


def crossing(c: Circuit) -> list[Part]:
    """Every part with pins on the touchable side and on any other: these are the barrier."""
    return [p for p in c.parts.values() if "touch" in _regions(c, p) and len(_regions(c, p)) > 1]


def _regions(c: Circuit, part: Part) -> set[str]:
    return {c.regions[net] for net in part.nets.values() if net != NOT_CONNECTED}


def regions_joined_only_by_listed_parts(c: Circuit) -> list[str]:
    """No net reaches another region but through a kind that may join them; at the barrier it states its insulation."""
    out = []
    for part in c.parts.values():
        regions = _regions(c, part)
        if len(regions) > 1 and not regions <= KINDS[part.kind].regions:
            out.append(f"{part.ref} joins {' and '.join(sorted(regions))}")
        if "touch" in regions and len(regions) > 1 and not KINDS[part.kind].insulation:
            out.append(f"{part.ref} crosses the barrier with no stated insulation")
    return out


def no_net_ends_nowhere(c: Circuit) -> list[str]:
    """A net has two pins or more, test pads not counted."""
    count = Counter(net for pin, net in c.pins() if c.parts[pin.ref].kind != "test pad")
    return [f"{net} has {count[net]} pin" for net in c.regions if count[net] < 2]


def nothing_before_the_relays_but_the_lead(c: Circuit) -> list[str]:
    """Cell, fuse, both resistors, pin, relay: in this order, and no capacitor or other part on the way."""
    out = []
    chain = (("CELL", {"cell", "lead fuse"}), ("FUSED", {"lead fuse", "lead resistor"}), ("HALF", {"lead resistor"}),
             ("TAP", {"lead resistor", "tap connector", "photo-relay"}))  # fmt: skip
    ends = {"CELL0", f"CELL{c.groups}"}  # the second island and the pack-fed supply have their own leads from there
    for k in range(c.groups + 1):
        for name, kinds in chain:
            net = f"{name}{k}"
            found = [c.parts[pin.ref].kind for pin in c.on_net(net)]
            stranger = set(found) - kinds
            if net not in ends and (stranger or len(found) < 2):
                out.append(f"{net} meets {', '.join(sorted(stranger)) or 'nothing'}")
    return out


def one_relay_of_each_line_a_tap(c: Circuit) -> list[str]:
    """Each tap has one relay, to the line of its parity; its diode hangs on the output that the firmware addresses."""
    out = []
    for k in range(c.groups + 1):
        relays = [p for p in c.of_kind("photo-relay") if p.nets["6"] == f"TAP{k}"]
        line = "LINE_B" if k & 1 else "LINE_A"
        if [p.nets["4"] for p in relays] != [line]:
            out.append(f"tap {k} is not on {line} once")
            continue
        if _address(c, relays[0].nets["2"]) != k >> 1:
            out.append(f"tap {k} has address {_address(c, relays[0].nets['2'])}, not {k >> 1}")
    return out


def _address(c: Circuit, cathode: str) -> int | None:
    """The address that drives a relay's cathode: the decoder's output, and which half of the addresses enables it."""
    for pin in c.on_net(cathode):
        part = c.parts[pin.ref]
        if part.kind == "decoder":
            second = part.nets["18"].endswith("4N")
            return int(pin.name[1:]) + 16 * second
    return None


def no_two_outputs_on_a_net(c: Circuit) -> list[str]:
    """Outputs do not fight."""
    count = Counter(net for pin, net in c.pins() if pin.name in _DRIVES.get(c.parts[pin.ref].kind, ()))
    return [f"{net} is driven {n} times" for net, n in count.items() if n > 1 and net != NOT_CONNECTED]


def each_supply_pin_has_its_capacitor(c: Circuit) -> list[str]:
    """As many 100 nF on a supply as it has parts."""
    supplied = Counter(net for pin, net in c.pins() if pin.name in _SUPPLY_PINS)
    caps = Counter(n for p in c.of_kind("capacitor") if p.value == "100nF" for n in p.nets.values())
    supplied["3V3"] -= sum(p.kind == "surge array" for p in c.parts.values())
    return [f"{net}: {n} parts, {caps[net]} capacitors" for net, n in supplied.items() if caps[net] < n]


def what_opens_relays_is_pulled(c: Circuit) -> list[str]:
    """Address bits, zero relay and enable have a resistor to the level that opens, should nothing drive them."""
    out = []
    for net in ("E0", "E1", "E2", "E3", "E4", "O0", "O1", "O2", "O3", "O4", "ZOFF_N", "OFF"):
        pulls = [p for p in c.of_kind("resistor") if set(p.nets.values()) == {net, "3V3"}]
        if not pulls:
            out.append(f"{net} has no pull to 3V3")
    return out


def every_decoder_and_the_zero_relay_hang_on_the_one_shot(c: Circuit) -> list[str]:
    """The one-shot's output is an enable of each decoder and an input of the zero relay's gate."""
    gated = {pin.ref for pin in c.on_net("OFF")}
    must = [p.ref for kind in ("decoder", "gate", "one-shot") for p in c.of_kind(kind)]
    return [f"{ref} does not hang on the one-shot" for ref in must if ref not in gated]


def converters_have_addresses_of_their_own(c: Circuit) -> list[str]:
    """The address pin sets 72 (ground), 73 (supply), 74 (data)."""
    place = {"IGND": 72, "JGND": 72, "I5V": 73, "J3V3": 73, "ISDA": 74, "JSDA": 74}
    found = [place[p.nets["1"]] for p in c.of_kind("converter")]
    return [] if sorted(found) == [72, 73, 74] else [f"addresses are {found}"]


def island_is_held_to_its_lines(c: Circuit) -> list[str]:
    """Each line has its capacitor to the island's ground, its clamps to both rails, its bias, its input resistor."""
    out = []
    for line in ("LINE_A", "LINE_B"):
        kinds = Counter(c.parts[pin.ref].kind for pin in c.on_net(line))
        wanted = ("line capacitor", "clamp pair", "bias resistor", "resistor")
        out += [f"{line} has {kinds[kind]} of {kind}" for kind in wanted if kinds[kind] != 1]
    return out


RULES: tuple[Callable[[Circuit], list[str]], ...] = (
    regions_joined_only_by_listed_parts,
    no_net_ends_nowhere,
    nothing_before_the_relays_but_the_lead,
    one_relay_of_each_line_a_tap,
    no_two_outputs_on_a_net,
    each_supply_pin_has_its_capacitor,
    what_opens_relays_is_pulled,
    every_decoder_and_the_zero_relay_hang_on_the_one_shot,
    converters_have_addresses_of_their_own,
    island_is_held_to_its_lines,
)


def broken(c: Circuit) -> list[str]:
    """Everything that breaks a rule, in words."""
    return [f"{rule.__name__}: {what}" for rule in RULES for what in rule(c)]
