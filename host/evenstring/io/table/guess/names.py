"""What the name of a column says: a stem, a number, a unit, and a role. Pure."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

__all__ = ["Name", "canonical_unit", "looks_like_unit", "parse_name"]

# Unit: its spellings, lower case. SI and usual abbreviations.
_SPELLINGS = {
    "V": "v volt volts",
    "mV": "mv millivolt millivolts",
    "A": "a amp amps ampere",
    "mA": "ma milliamps",
    "s": "s sec secs second seconds sek sekunden",
    "ms": "ms msec millis milliseconds",
    "us": "us µs μs",
    "ns": "ns",
    "min": "min mins minutes minuten",
    "h": "h hr hrs hours stunden",
    "d": "d days",
    "h:m:s": "h:m:s hh:mm:ss",
    "m:s": "mm:ss",
    "C": "c °c degc celsius",
    "F": "f °f degf",
    "K": "k",
    "%": "%",
    "Ah": "ah",
    "mAh": "mah",
    "Wh": "wh",
    "W": "w",
    "mohm": "mohm mω",
    "ohm": "ohm",
}
_UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}
# Written at the end of a name behind "_" or a space, without brackets. One letter alone is too little, but for these.
_SUFFIXES = frozenset([*"vascfh", "mv", "ma", "ms", "us", "sec", "min", "degc", "volts", "volt", "amps"])

_ROLES = {
    "time": "time t zeit tiempo tempo timestamp zeitstempel datetime elapsed seconds sec secs second s ms "
    "millis milliseconds minutes minute hours hour epoch unix unixtime ts when logged clock uhrzeit "
    "heure hora stamp zeitpunkt sekunden minuten timestamps tijd aika ora runtime duration uptime "
    "laufzeit dauer stempel",
    "date": "date datum fecha day tag jour data",
    "current": "current curr strom courant corriente corrente amps amp ampere i ibat ipack ibatt stroom a ma icharge",
    "temp": "temp temperature temperatur temperatura ntc thermistor tc temps temperatures tbat tmos",
    "pack": "pack total sum string battery batt bat gesamt gesamtspannung packspannung packvoltage stack vpack "
    "vbat vbatt vtotal upack ubat totale ges summe vsum",
    "other": "soc soh ah wh power watt leistung cycle cycles status state flags flag alarm alarms error errors "
    "balance balancing bal resistance ohm mohm ri ir diff spread delta min max mean avg average median "
    "stdev rpm speed energy capacity kapazitat remaining humidity lat lon gps mos fet protection "
    "comment remark note bemerkung mode step",
    "index": "index idx row no nr sample samples record rec id n # nummer zeile unnamed",
    "group": "cell cells group groups g zelle zellen cellule celda cella c v u voltage spannung tension tap "
    "channel kanal ch b block sensor celle groep gruppe groupe vc uc cellvoltage zellspannung volts "
    "volt mv value wert reading",
}
_WORDS = {word: role for role, words in _ROLES.items() for word in words.split()}

_BARE_UNITS = [[word] for word in ("seconds", "sec", "secs", "s", "ms", "millis", "minutes", "hours")]
_BRACKETED = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]")
_TOKEN = re.compile(r"\d+|[a-z°µμω%#]+")


@dataclass(frozen=True, slots=True)
class Name:
    """A name taken apart. `number` is the last whole number in it; `roles` are those of its words, in order."""

    text: str
    stem: str
    number: int | None
    unit: str | None
    roles: tuple[str, ...]

    def says(self, role: str) -> bool:
        """Whether any word of the name speaks for that role."""
        return role in self.roles


def canonical_unit(text: str) -> str | None:
    """The unit that a text is, or None."""
    return _UNITS.get(text.strip().strip("[](){}<>").lower())


def looks_like_unit(text: str) -> bool:
    """Whether a cell may stand in a row of units; empty ones may."""
    bare = text.strip().strip("[](){}<>").lower()
    return not bare or bare in _UNITS or bare in {"-", "1", "none", "text", "n/a", "degrees", "° c"} or "yyyy" in bare


def parse_name(text: str, units_row: str = "") -> Name:
    """Take a name apart; a unit in a row of its own goes before one in the name."""
    folded = _fold(text)
    unit = canonical_unit(units_row) if units_row else None
    for found in _BRACKETED.finditer(folded):
        inner = found.group(1)
        if not inner.isdecimal():  # cell[3] names a group, not a unit
            unit = unit or canonical_unit(inner)
            if canonical_unit(inner) or not inner:
                folded = folded.replace(found.group(0), " ", 1)
    if "/" in folded:
        front, _, behind = folded.rpartition("/")
        if canonical_unit(behind):
            unit, folded = unit or canonical_unit(behind), front
    tokens = _TOKEN.findall(folded)
    if len(tokens) > 1 and tokens[-1] in _SUFFIXES and not _one_letter_name(tokens):
        unit, tokens = unit or canonical_unit(tokens[-1]), tokens[:-1]
    elif len(tokens) > 2 and tokens[-1].isdecimal() and tokens[-2] in ("mv", "ma", "ms"):  # cell_mv_3
        unit, tokens = unit or canonical_unit(tokens[-2]), [*tokens[:-2], tokens[-1]]
    numbers = [token for token in tokens if token.isdecimal()]
    number = int(numbers[-1]) if numbers and len(numbers[-1]) <= 4 else None
    words = [token for token in tokens if not token.isdecimal()]
    stem = " ".join(words + numbers[:-1])
    if unit is None and not numbers and words in _BARE_UNITS:
        unit = _UNITS.get(words[0])
    return Name(text, stem, number, unit, tuple(_WORDS[word] for word in words if word in _WORDS))


def _one_letter_name(tokens: list[str]) -> bool:
    """`3 v` is a numbered name without a stem; so a letter behind a number alone is none of a unit."""
    return len(tokens) == 2 and tokens[0].isdecimal() and len(tokens[1]) == 1


def _fold(text: str) -> str:
    split = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", text.strip())  # packVoltage
    plain = unicodedata.normalize("NFKD", split.replace("°", "\u2218"))
    return "".join(c for c in plain if not unicodedata.combining(c)).replace("\u2218", "°").lower()
