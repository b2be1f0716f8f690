"""Parameters of a front end, as parts state them. Defaults are the reference designs of hardware_notes.

Values of parts are typical of their class and from memory unless a comment says otherwise: put in your data sheet's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from evenstring.checked_toml import Checked, ValueRule, shown

__all__ = [
    "BankConverter",
    "Barrier",
    "Bus",
    "Converter",
    "DividerBank",
    "Relay",
    "RelayScan",
    "Series",
    "String",
    "Supply",
    "parse_front_end",
]


@dataclass(frozen=True, slots=True)
class String:
    """The pack that is measured."""

    groups: int = 24
    group_max_v: float = 4.35
    target_mv: float = 10.0  # spread that is to be told from none


@dataclass(frozen=True, slots=True)
class Series:
    """Resistors of each sense lead, at its cell end behind the fuse: what is touched or pinched lies behind them."""

    ohm: float = 12080.0  # sum of one lead: two of 6.04 kohm, IEC 60063 E96
    parts: int = 2  # resistors in series that share voltage and heat
    tolerance_ppm: float = 1000.0
    part_w: float = 0.5
    part_v: float = 200.0
    lead_pf: float = 100.0  # of one lead against its neighbours; common practice, some 100 pF a metre in a bundle


@dataclass(frozen=True, slots=True)
class Relay:
    """A photo-relay, one for each tap."""

    on_us: float = 2000.0
    off_us: float = 1000.0
    off_leak_max_na: float = 2.0  # the guaranteed or the measured-and-selected maximum at the hottest temperature
    off_rating_v: float = 350.0
    off_pf: float = 100.0  # across the open output; largest
    led_pf: float = 1.0  # from the diode to the output
    bank: int = 0  # taps behind one bank relay; 0: no banks


@dataclass(frozen=True, slots=True)
class Bus:
    """Everything between the relays and the converter."""

    line_pf: float = 10000.0  # from each line to the island's ground: holds the island to the group being read
    line_tolerance: float = 0.02
    bias_ohm: float = 3.9e6  # from each line to bias_v
    bias_v: float = 3.4375  # at 5.00 V; above the middle, since the converter's own inputs pull down
    supply_min_v: float = 4.85  # of the island; bias_v follows the supply
    clamp_leak_na: float = 5.0  # of one line's diodes, largest, either way
    clamp_max_ma: float = 5.0  # what one fault may send through leads, clamps and the island's shunt for ever


@dataclass(frozen=True, slots=True)
class Converter:
    """The analogue to digital converter. Defaults: ADS1115 class at +-6.144 V, 860 a second."""

    range_v: float = 6.144
    step_uv: float = 187.5
    rate_hz: float = 860.0
    clock_tolerance: float = 0.10
    input_ohm: float = 22e6  # differential
    common_ohm: float = 10e6  # each input to ground
    noise_uv: float = 100.0  # standard deviation of one conversion at this rate, without its step
    bent_steps: float = 1.0  # nonlinearity, largest; turns with the polarity, so it is a comb from group to group
    gain_ppm: float = 1500.0  # common to all groups
    conversions: int = 1  # averaged into one reading, 1 to 16: `adc.conversions` of the board description
    overhead_us: float = 700.0  # bus transfers and interpreter, each step
    again_us: float = 500.0  # the same in each further conversion of a reading
    extra_steps: int = 4  # zero and stuck tests of a scan
    pack_us: float = 4500.0  # three samples of the whole pack's voltage


@dataclass(frozen=True, slots=True)
class Supply:
    """What the monitor takes."""

    board_mw: float = 300.0
    efficiency: float = 0.7
    awake_ua: float = 25000.0  # processor running, at 3.3 V
    asleep_ua: float = 1500.0  # in light sleep
    island_ua: float = 9600.0  # isolated converter without load, isolator, converter, expander, decoders
    relay_ua: float = 5000.0  # one photo-relay's diode
    island_efficiency: float = 0.75
    interval_s: float = 10.0  # from scan to scan when nothing happens
    idle_mw: float = 60.0  # what a supply fed from the pack takes for itself while it is on; from memory of such parts
    gate_ua: float = 12.0  # from the pack at all times, for the timer that switches that supply; from memory, as above
    parked_s: float = 300.0  # from look to look when parked
    look_s: float = 2.0  # a look: start, one scan, off again; our choice, above what the virtual board takes


@dataclass(frozen=True, slots=True)
class Barrier:
    """Between the island's ground and what can be touched, and what earth does against the pack."""

    pf: float = 20.0  # converter's supply, isolator, two relays' diodes and the board, together
    ohm: float = 2e9
    earth_peak_v: float = 162.0  # half-wave of a 115 V mains through a charger's capacitors
    earth_hz: float = 50.0


@dataclass(frozen=True, slots=True)
class RelayScan:
    """One group at a time onto one isolated converter."""

    string: String = field(default_factory=String)
    series: Series = field(default_factory=Series)
    relay: Relay = field(default_factory=Relay)
    bus: Bus = field(default_factory=Bus)
    converter: Converter = field(default_factory=Converter)
    barrier: Barrier = field(default_factory=Barrier)
    supply: Supply = field(default_factory=Supply)


@dataclass(frozen=True, slots=True)
class Divider:
    """A divider from each tap to pack negative, and what reads them."""

    ohm: float = 10e6  # of one divider, end to end
    tracking_ppm_per_k: float = 5.0  # ratio of one divider against another
    temperature_range_k: float = 20.0  # between calibration and use
    idle_disconnect: bool = False


@dataclass(frozen=True, slots=True)
class BankConverter:
    """What reads the dividers, eight taps a part. Defaults: ADS8688 class, 0 to 10.24 V."""

    bits: int = 16
    noise_steps: float = 0.6  # standard deviation of one conversion; 92 dB
    bent_steps: float = 2.0  # nonlinearity, largest
    conversions: int = 4  # averaged into one reading of a tap, 1 to 16: `bank.conversions` of the board description


@dataclass(frozen=True, slots=True)
class DividerBank:
    """One divider a tap; a group is the difference of two large numbers."""

    string: String = field(default_factory=String)
    divider: Divider = field(default_factory=Divider)
    converter: BankConverter = field(default_factory=BankConverter)


# What `part` in [converter] stands for; keys given beside it win. The names are those of the board description.
_PARTS: dict[str, dict[str, dict[str, float]]] = {
    "relay_scan": {
        "ads1115": {},
        "ads122c04": {
            "range_v": 5.0, "step_uv": 76.3, "rate_hz": 1000.0, "input_ohm": 1e8, "common_ohm": 1e8, "noise_uv": 30.0,
            "gain_ppm": 1000.0,
        },
    },
    "divider_bank": {"ads8688": {}, "ltc1867": {"noise_steps": 0.8}},
}  # fmt: skip


def parse_front_end(text: str, where: str) -> RelayScan | DividerBank:
    """Read a front end from TOML text: `kind` and one table a part; what is not given keeps its default.

    Raises:
        InputError: not TOML, an unknown kind, table or key, or a value that cannot be; with its line.
    """
    doc = Checked(text, where)
    kind = doc.data.pop("kind", "relay_scan")
    if kind not in tuple(_TABLES):
        raise doc.error("", 0, "kind", f"kind must be {' or '.join(_TABLES)}, not {shown(kind)}")
    tables = _TABLES[kind]
    doc.check_tables(list(tables))
    parts = {name: _part(doc, kind, name, part) for name, part in tables.items()}
    return RelayScan(**parts) if kind == "relay_scan" else DividerBank(**parts)


def _part(doc: Checked, kind: str, table: str, part: type[Any]) -> Any:
    rules = {f.name: _RULES.get(f.name) or _rule(str(f.type)) for f in fields(part)}
    known = _PARTS[kind] if table == "converter" else {}
    named = {"part": ValueRule(choices=tuple(known))} if known else {}
    given = doc.table(table, rules | named)
    values = known.get(given.pop("part", ""), {}) | given  # what is given beside a named part wins
    return part(**{name: int(v) if rules[name].whole else v for name, v in values.items()})


def _rule(wanted: str) -> ValueRule:
    if wanted == "bool":
        return ValueRule(bool)
    return ValueRule(low=0, whole=True) if wanted == "int" else ValueRule(above=0)


_TABLES: dict[str, dict[str, type[Any]]] = {
    "relay_scan": {
        "string": String, "series": Series, "relay": Relay, "bus": Bus, "converter": Converter,
        "barrier": Barrier, "supply": Supply,
    },
    "divider_bank": {"string": String, "divider": Divider, "converter": BankConverter},
}  # fmt: skip
_SHARE = ValueRule(above=0, high=1)
_RULES = {  # where the type alone says too little
    "groups": ValueRule(low=1, high=40, whole=True),
    "conversions": ValueRule(low=1, high=16, whole=True),
    "parts": ValueRule(low=1, whole=True),
    "efficiency": _SHARE,
    "island_efficiency": _SHARE,
}
