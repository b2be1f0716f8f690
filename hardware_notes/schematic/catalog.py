"""What each kind of part must be able to do. Types, pin numbers and prices are from memory: check the data sheet.

Prices are rough, single pieces, euros. A rating that a fault may reach is used to at most 60 % (`rules.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["KINDS", "Kind", "ratings_of"]


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the parts list. `ratings`: w, v, a as far as a fault may load it. `regions`: what it may join."""

    function: str
    look_for: str
    example: str
    price_low: float
    price_high: float
    footprint: str = ""
    ratings: dict[str, float] = field(default_factory=dict)
    regions: frozenset[str] = frozenset()  # regions that it may join; empty: one only
    insulation: str = ""  # what it must give where one of these is the touchable side


def _join(*regions: str) -> frozenset[str]:
    return frozenset(regions)


_REINFORCED = "reinforced for the full string; or basic, and a second basic barrier in series"

KINDS: dict[str, Kind] = {
    "cell": Kind("cell group", "the pack's own", "", 0, 0),
    "lead fuse": Kind("fuse of a lead, first thing at the cell", "0.25 to 0.5 A, 250 V DC or more, breaking capacity"
        " 1.5 x the prospective current or more", "ceramic cartridge, 6.3 x 32 mm, in-line", 0.8, 3,
        ratings={"a": 0.25, "v": 250.0}),
    "lead resistor": Kind("series resistor of a sense lead, at the cell end", "0.1 %, 25 ppm/K, fails open;"
        " heat and volts as rated", "metal film, in-line in sleeve", 0.2, 0.8, ratings={"w": 0.5, "v": 200.0}),
    "tie resistor": Kind("tie of the second island to pack negative, at the cell end", "1 %, fails open",
        "metal film, in-line in sleeve", 0.2, 0.8, ratings={"w": 0.5, "v": 200.0}, regions=_join("pack", "island2")),
    "divider resistor": Kind("upper half of the pack-voltage divider", "0.1 %, heat and volts as rated", "metal film, 1206 or in-line",
        0.2, 0.8, "Resistor_SMD:R_1206_3216Metric", {"w": 0.25, "v": 200.0}, _join("pack", "island2")),
    "tap connector": Kind("sense-lead connector", "2 rows, shrouded, keyed, latching; 250 V between contacts; the last pins empty",
        "crimp contacts, 2.54 mm, 2 rows", 4, 9, "Connector_IDC:IDC-Header_2x13_P2.54mm_Latch_Vertical"),
    "pack connector": Kind("connector of tie and pack positive", "4 ways, of another family than the tap connector,"
        " two empty ways between the leads, 250 V", "crimp contacts, 3.96 mm", 1, 3, regions=_join("pack", "island2")),
    "photo-relay": Kind("photo-relay, one a tap, and the zero relay", "off rating 350 V; leakage 2 nA or less hot; open"
        " 100 pF or less; diode to output 1 pF; on 2 ms, off 1 ms at 3 mA or less; outputs 5.08 mm apart", "MOS output, 6-pin DIP, wide gull wing", 1.5, 6,
        "Package_DIP:SMDIP-6_W9.53mm", {"v": 350.0, "a": 0.1}, _join("pack", "island1", "touch"), _REINFORCED),
    "i2c isolator": Kind("I2C isolator, one an island", "bidirectional, 400 kHz, wide body; a few pF", "digital isolator, SOIC-16W", 2.5, 6,
        "Package_SO:SOIC-16W_7.5x10.3mm_P1.27mm", {}, _join("island1", "island2", "touch"), _REINFORCED),
    "dc-dc": Kind("isolated converter, one an island", "5 V to 9 V, 1 W; capacitance across it 15 pF or less", "SIP-7 module", 5, 14,
        "", {}, _join("island1", "island2", "touch"), _REINFORCED),
    "pack supply": Kind("supply fed from the pack (option)", "input from the empty string to 1.5 x the full one, 5 V out,"
        " under-voltage cut-off above the empty string", "encapsulated, own barrier", 12, 35, "",
        {}, _join("pack", "touch"), _REINFORCED),
    "converter": Kind("converter", "16 bit, differential, +-6.144 V range, 860 a second, I2C", "ADS1115 class, VSSOP-10", 2, 6,
        "Package_SO:VSSOP-10_3x3mm_P0.5mm", {"input_a": 0.01}),
    "clamp pair": Kind("clamp, two diodes in series, one a line", "leakage 5 nA or less at 5 V, hot", "BAV199 class, SOT-23", 0.1, 0.3,
        "Package_TO_SOT_SMD:SOT-23", {"a": 0.14}),
    "shunt": Kind("shunt on the island's 5 V", "adjustable reference, 1 %, sinks 100 mA", "TL431 class, SOT-23", 0.2, 0.6,
        "Package_TO_SOT_SMD:SOT-23", {"a": 0.1}),
    "regulator 5 V": Kind("regulator of an island, 5.0 V", "2 % or better, 16 V in", "SOT-89", 0.3, 1, "Package_TO_SOT_SMD:SOT-89-3"),
    "regulator 3.3 V": Kind("regulator of the second island, 3.3 V", "2 % or better, 16 V in", "SOT-89", 0.3, 1, "Package_TO_SOT_SMD:SOT-89-3"),
    "line capacitor": Kind("from each line to the island's ground", "C0G, 2 % or better, 50 V", "10 nF, 1206", 0.3, 1,
        "Capacitor_SMD:C_1206_3216Metric", {"v": 50.0}),
    "capacitor": Kind("decoupling and timing", "X7R, 25 V", "0603 or 0805", 0.05, 0.3, "Capacitor_SMD:C_0805_2012Metric"),
    "resistor": Kind("resistors of the board", "1 %, 0.1 W", "0603 or 0805", 0.02, 0.1, "Resistor_SMD:R_0805_2012Metric", {"w": 0.125, "v": 150.0}),
    "bias resistor": Kind("bias, from each line", "1 %", "0805", 0.05, 0.2, "Resistor_SMD:R_0805_2012Metric", {"w": 0.125, "v": 150.0}),
    "zero resistor": Kind("in the zero relay's path; load of the contact test", "1 %", "1206", 0.05, 0.2,
        "Resistor_SMD:R_1206_3216Metric", {"w": 0.25, "v": 200.0}),
    "precise resistor": Kind("lower half of the pack-voltage divider", "0.1 %", "0805", 0.1, 0.4, "Resistor_SMD:R_0805_2012Metric",
        {"w": 0.125, "v": 150.0}),
    "decoder": Kind("decoder, one of 16, output low", "two enables", "74HC154 class, SO-24W", 0.8, 2.5,
        "Package_SO:SOIC-24W_7.5x15.4mm_P1.27mm"),
    "inverter": Kind("inverter of an address bit", "single gate", "74LVC1G04 class, SOT-23-5", 0.1, 0.4, "Package_TO_SOT_SMD:SOT-23-5"),
    "one-shot": Kind("one-shot, retriggerable", "resettable", "74HC123 class, SO-16", 0.4, 1, "Package_SO:SOIC-16_3.9x9.9mm_P1.27mm"),
    "gate": Kind("lets the zero relay close only while the one-shot runs", "OR, single gate", "74LVC1G32 class, SOT-23-5", 0.1, 0.4,
        "Package_TO_SOT_SMD:SOT-23-5"),
    "expander": Kind("port expander", "I2C, 16 pins, inputs with pull-ups at power-up", "PCA9555 class, TSSOP-24", 1, 2.5,
        "Package_SO:TSSOP-24_4.4x7.8mm_P0.65mm"),
    "processor": Kind("processor board", "stock MicroPython, 264 kB RAM, 2 MB flash", "RP2040 class module", 4, 12),
    "load switch": Kind("switch of the first island's supply (option)", "high side, 5 V, 0.5 A, off by itself", "SOT-23-5", 0.3, 1,
        "Package_TO_SOT_SMD:SOT-23-5"),
    "transistor": Kind("buzzer's transistor", "N-channel MOSFET, logic level, 30 V", "SOT-23", 0.1, 0.3, "Package_TO_SOT_SMD:SOT-23"),
    "diode": Kind("against feeding back", "Schottky, 1 A, 40 V", "SMA", 0.1, 0.4, "Diode_SMD:D_SMA"),
    "surge array": Kind("ESD and surge of what leaves the housing", "4 lines, 5 V, IEC 61000-4-2 8 kV contact", "SOT-23-6", 0.3, 0.8,
        "Package_TO_SOT_SMD:SOT-23-6"),
    "surge diode": Kind("surge of the 5 V input", "unidirectional, 5 V standoff, 400 W", "SMA", 0.2, 0.6, "Diode_SMD:D_SMA"),
    "input fuse": Kind("fuse of the 5 V input", "resettable, 0.5 A, 16 V", "1206", 0.2, 0.6, "Fuse:Fuse_1206_3216Metric"),
    "connector": Kind("connectors of the touchable side and of sensors", "latching, each of another number of ways", "crimp, 2.5 mm", 0.5, 2),
    "buzzer": Kind("buzzer", "3 to 5 V, heard at speed", "driven, at the handlebar", 1, 3),
    "light": Kind("warning light", "seen in sunlight, 5 mA", "LED, at the handlebar", 0.5, 2),
    "button": Kind("button", "sealed, normally open", "at the handlebar", 1, 4),
    "strap": Kind("strap for maintenance", "2-pin header, closed by a jumper", "2.54 mm", 0.1, 0.3),
    "thermistor": Kind("thermistor", "10 kohm, insulated, on the pack side", "B about 3435 K", 0.5, 2),
    "current sensor": Kind("current sensor", "Hall, around the conductor, 20 mV/A about 2.048 V, 5 V supply", "open loop", 3, 10),
    "test pad": Kind("test pad", "covered by a lid", "2 mm", 0, 0, "TestPoint:TestPoint_Pad_D2.0mm"),
    "feed fuse": Kind("fuse of the pack-fed supply, at the pack (option)", "1 A, 250 V DC or more, breaking capacity as the lead fuses",
        "ceramic cartridge, 6.3 x 32 mm", 1, 4, ratings={"a": 1.0, "v": 250.0}),
    "pulse resistor": Kind("series resistor of the pack-fed supply (option)", "47 ohm, 5 W, wire-wound, fusible, pulse rated", "axial", 0.5, 1.5,
        ratings={"w": 5.0, "v": 350.0}),
    "film capacitor": Kind("input of the pack-fed supply (option)", "film, 450 V", "1 uF", 1, 3, ratings={"v": 450.0}),
    "pack surge diode": Kind("surge of the pack-fed supply (option)", "standoff above the full string, 1500 W", "SMC", 0.5, 2, "Diode_SMD:D_SMC"),
}  # fmt: skip


def ratings_of(kind: str, groups: int) -> dict[str, float]:
    """Ratings of a kind on a board for that many groups: longer strings need stronger parts in the leads."""
    ratings = dict(KINDS[kind].ratings)
    if groups > 24:
        ratings |= {
            "lead resistor": {"w": 1.0, "v": 350.0},
            "tie resistor": {"w": 1.0, "v": 350.0},
            "divider resistor": {"w": 0.5, "v": 350.0},
        }.get(kind, {})
    if groups > 34 and kind in ("lead fuse", "feed fuse"):
        ratings["v"] = 400.0  # 250 V would be used to more than 60 % by a string above 150 V
    return ratings
