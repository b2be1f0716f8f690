"""TOML whose every key is known: a wrong one is refused with its line and the reason.

Every TOML that a person writes is read through it: pack profiles, scenarios, front ends.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from typing import Any

from evenstring.errors import InputError

__all__ = ["Checked", "ValueRule", "shown", "toml_text"]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_]+)\s*\]\]?")
_KEY = re.compile(r"^\s*\"?([A-Za-z0-9_]+)\"?\s*=")


@dataclass(frozen=True, slots=True)
class ValueRule:
    """What a value may be: one of `choices`, a number if `kind` is float, `kind` otherwise.

    A number lies from `low` to `high`, above `above`, and is whole if `whole`. `hint` is said where it does not.
    A text has at most `longest` characters.
    """

    kind: type = float
    low: float = -math.inf
    high: float = math.inf
    whole: bool = False
    choices: tuple[str, ...] = ()
    above: float = -math.inf
    hint: str = ""
    longest: int = 1 << 20  # characters of a text


class Checked:
    """A parsed text with the lines of its keys.

    Raises:
        InputError: not TOML.
    """

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        try:
            self.data: dict[str, Any] = tomllib.loads(text.removeprefix("\ufeff"))
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            raise InputError(f"{where}: not valid TOML: {error}") from error
        except ValueError as error:  # Python refuses to read integers of over 4300 digits
            raise InputError(f"{where}: a number in it has far too many digits; correct it") from error
        self._lines: dict[tuple[str, int, str], int] = {}
        counts: dict[str, int] = {}
        table, index = "", 0
        for number, line in enumerate(text.splitlines(), start=1):
            if header := _HEADER.match(line):
                table = header[2]
                index = counts.get(table, 0)
                counts[table] = index + 1
                self._lines[(table, index, "")] = number
            elif key := _KEY.match(line):
                self._lines.setdefault((table, index, key[1]), number)

    def error(self, table: str, index: int, key: str, why: str) -> InputError:
        """An error at a key, or at its table when it has no line."""
        line = self._lines.get((table, index, key)) or self._lines.get((table, index, ""), 1)
        return InputError(f"{self.where}, line {line}: {why}")

    def unknown(self, at: tuple[str, int, str], name: str, known: list[str], what: str) -> InputError:
        """An error at a place (table, index, key): a name that is not known, with the nearest that is."""
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}"
        return self.error(*at, f"{what} {name!r} is not known; {hint}")

    def forget_unknown(self, known: dict[str, dict[str, ValueRule]]) -> None:
        """Drop tables and keys that are not known, for texts that a later version of a program may have written."""
        self.data = {name: content for name, content in self.data.items() if name in known}
        for name, content in self.data.items():
            if isinstance(content, dict):
                self.data[name] = {key: value for key, value in content.items() if key in known[name]}

    def check_tables(self, known: list[str]) -> None:
        """Refuse tables, and keys before the first table, that are not known."""
        for name, content in self.data.items():
            if name not in known:
                at = (name, 0, "") if isinstance(content, (dict, list)) else ("", 0, name)
                raise self.unknown(at, name, known, "table")

    def table(self, name: str, rules: dict[str, ValueRule]) -> dict[str, Any]:
        """A table's values, checked."""
        content = self.data.get(name, {})
        if not isinstance(content, dict):
            raise self.error(name, 0, "", f"[{name}] must be a table, not {shown(content)}")
        return self.values(name, 0, content, rules)

    def tables(self, name: str) -> list[dict[str, Any]]:
        """The tables [[name]]."""
        content = self.data.get(name, [])
        if not isinstance(content, list) or not all(isinstance(item, dict) for item in content):
            raise self.error(name, 0, "", f"[[{name}]] must be written with double brackets")
        return content

    def values(self, name: str, index: int, content: dict[str, Any], rules: dict[str, ValueRule]) -> dict[str, Any]:
        """Values of one table, each held against its rule."""
        for key, value in content.items():
            if key not in rules:
                raise self.unknown((name, index, key), key, list(rules), "key")
            if why := _complaint(value, rules[key]):
                raise self.error(name, index, key, f"{key} {why}, not {shown(value)}")
        return {key: float(v) if isinstance(v, int) and rules[key].kind is float else v for key, v in content.items()}


_LARGEST = 1e15  # nothing that is described comes near (our choice); catches infinity and integers beyond floats
_SHOWN = 40  # characters of a wrong value in a message


def toml_text(data: bytes) -> str:
    """The text of a file: UTF-8, with or without the byte order mark that some editors put before it.

    Raises:
        UnicodeDecodeError: not UTF-8.
    """
    return data.decode("utf-8-sig")


def shown(value: Any) -> str:
    """A value as a message shows it: as it is written in TOML, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) >= 1 << 64:
        return "a whole number of 20 digits or more"  # Python may refuse to write it out
    text = f'"{value}"' if isinstance(value, str) else repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _complaint(value: Any, rule: ValueRule) -> str:
    if rule.choices:
        return "" if value in rule.choices else f"must be one of {', '.join(rule.choices)}"
    if rule.kind is float:
        why = _not_this_number(value, rule)
        return f"{why} ({rule.hint})" if why and rule.hint and isinstance(value, (int, float)) else why
    if isinstance(value, str) and rule.kind is str and len(value) > rule.longest:
        return f"must have at most {rule.longest} characters, and has {len(value):,}"
    words = {str: "text in quotes", bool: "true or false", list: "a list in brackets"}
    return "" if isinstance(value, rule.kind) else f"must be {words[rule.kind]}"


def _not_this_number(value: Any, rule: ValueRule) -> str:
    what = "a whole number" if rule.whole else "a number"
    if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+([.,]\d+)?\s*", value):
        return f"must be {what} written without quotes"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:  # noqa: PLR0124  # NaN; an int may be too large for math.isnan
        return f"must be {what}"
    low, high = max(rule.low, -_LARGEST), min(rule.high, _LARGEST)
    if value <= rule.above:
        return f"must be above {rule.above:g}"
    if value < low:
        return f"must be at least {low:g}"
    if value > high:
        return f"must be at most {high:g}"
    return "must be a whole number" if rule.whole and value != int(value) else ""
