"""The words of an instrument are a file: the ready ones keep to the standard, a wrong one is refused with its line."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest
from evenstring.errors import InputError
from evenstring.workshop.instrument.dialect import Dialect, dialect_named, dialect_names, parse_dialect

from tests.host.workshop.instrument.simulated import pattern

# The headers of SCPI-1999, volume 2 (Command Reference), and of IEEE 488.2, chapter 10; from memory.
STANDARD = [
    "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
    "[SOURce]:VOLTage:PROTection[:LEVel]", "[SOURce]:CURRent:PROTection[:LEVel]", "[SOURce]:FUNCtion[:SHAPe]",
    "OUTPut[:STATe]", "INPut[:STATe]", "MEASure[:SCALar]:VOLTage[:DC]", "MEASure[:SCALar]:CURRent[:DC]",
    "SYSTem:ERRor[:NEXT]", "*IDN", "*CLS",
]  # fmt: skip


def words_of(dialect: Dialect) -> list[str]:
    named = [getattr(dialect, f.name) for f in fields(dialect) if f.name not in ("kind", "name")]
    return [*(w for w in named if isinstance(w, str) and w), *dialect.begin]


@pytest.mark.parametrize("name", dialect_names())
def test_ready_words_are_those_of_the_standard(name: str) -> None:
    known = [pattern(header) for header in STANDARD]
    strange = [w for w in words_of(dialect_named(name, name))
               if not any(p.fullmatch(w.split(" ")[0].removesuffix("?")) for p in known)]  # fmt: skip
    assert strange == []


@pytest.mark.parametrize(("header", "takes", "refuses"), [
    # Examples of the notation in the documentation of scpi-parser (j123b567, BSD), which keeps to SCPI-1999.
    ("SYSTem:ERRor[:NEXT]", ["SYST:ERR", "syst:err:next", "SYSTEM:ERROR", ":SYSTem:ERR"], ["SYSTE:ERR", "SYS:ERR"]),
    ("MEASure:VOLTage[:DC]", ["MEAS:VOLT", "MEASURE:VOLTAGE:DC", "meas:volt:dc"], ["MEAS", "MEAS:VOLT:AC"]),
])  # fmt: skip
def test_the_notation_is_read_as_others_read_it(header: str, takes: list[str], refuses: list[str]) -> None:
    assert all(pattern(header).fullmatch(text) for text in takes)
    assert not any(pattern(header).fullmatch(text) for text in refuses)


def changed(old: str, new: str) -> str:
    folder = Path(str(__import__("evenstring").__file__)).parent / "workshop" / "instrument" / "ready"
    text = (folder / "supply.toml").read_text(encoding="utf-8")
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize(("old", "new", "why"), [
    ('off = "OUTP OFF"', "", "missing: off"),
    ('set_v = "SOUR:VOLT {}"', 'set_v = "SOUR:VOLT 84"', "must hold {} once"),
    ('off = "OUTP OFF"', 'off = "OUTP OFF {}"', "takes no value"),
    ('off = "OUTP OFF"', 'off = "OUTP OFF;OUTP?"', "is no question"),
    ('state = "OUTP?"', 'state = "OUTP"', "those end with ?"),
    ('off = "OUTP OFF"', 'off = "OUTP OFF\\nOUTP ON"', "one line of plain ASCII"),
    ('begin = []', 'begin = ["OUTP?"]', "is no question"),
    ('kind = "supply"', 'kind = "suply"', "must be one of supply, load"),
    ('measure_v =', 'mesure_v =', "did you mean 'measure_v'"),
    ('answer_s = 2.0', 'answer_s = 0', "answer_s"),
])  # fmt: skip
def test_a_wrong_file_is_refused_with_the_reason(old: str, new: str, why: str) -> None:
    with pytest.raises(InputError, match=r"x\.toml") as refused:
        parse_dialect(changed(old, new), "x.toml")
    assert why in str(refused.value)


def test_a_copy_with_other_words_is_taken(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(changed('on = "OUTP ON"', 'on = "OUTP:STAT 1"'), encoding="utf-8")
    assert dialect_named(str(tmp_path / "mine.toml"), "supply").on == "OUTP:STAT 1"
    with pytest.raises(InputError, match="a load was asked for"):
        dialect_named(str(tmp_path / "mine.toml"), "load")
    with pytest.raises(InputError, match="give a TOML file, or load, supply"):
        dialect_named(str(tmp_path / "absent.toml"), "load")
