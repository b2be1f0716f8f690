"""TOML whose every key is known: a wrong one is refused with its line and the reason."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from typing import Any

from evenstring.errors import InputError

__all__ = ["Checked", "Rule"]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_]+)\s*\]\]?")
_KEY = re.compile(r"^\s*\"?([A-Za-z0-9_]+)\"?\s*=")


@dataclass(frozen=True, slots=True)
class Rule:
    """What a value may be: a number from `low` to `high` (whole if `whole`), one of `choices`, `kind` otherwise."""

    kind: type = float
    low: float = -math.inf
    high: float = math.inf
    whole: bool = False
    choices: tuple[str, ...] = ()


class Checked:
    """A parsed text with the lines of its keys.

    Raises:
        InputError: not TOML.
    """

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            raise InputError(f"{where}: not valid TOML: {error}") from error
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

    def check_tables(self, known: list[str]) -> None:
        """Refuse tables, and keys before the first table, that are not known."""
        for name, content in self.data.items():
            if name not in known:
                at = (name, 0, "") if isinstance(content, (dict, list)) else ("", 0, name)
                raise self.unknown(at, name, known, "table")

    def table(self, name: str, rules: dict[str, Rule]) -> dict[str, Any]:
        """A table's values, checked."""
        content = self.data.get(name, {})
        if not isinstance(content, dict):
            raise self.error(name, 0, "", f"[{name}] must be one table")
        return self.values(name, 0, content, rules)

    def tables(self, name: str) -> list[dict[str, Any]]:
        """The tables [[name]]."""
        content = self.data.get(name, [])
        if not isinstance(content, list) or not all(isinstance(item, dict) for item in content):
            raise self.error(name, 0, "", f"[[{name}]] must be written with double brackets")
        return content

    def values(self, name: str, index: int, content: dict[str, Any], rules: dict[str, Rule]) -> dict[str, Any]:
        """Values of one table, each held against its rule."""
        for key, value in content.items():
            if key not in rules:
                raise self.unknown((name, index, key), key, list(rules), "key")
            if why := _complaint(value, rules[key]):
                raise self.error(name, index, key, f"{key} {why}, not {value!r}")
        return {key: float(v) if isinstance(v, int) and rules[key].kind is float else v for key, v in content.items()}


_LARGEST = 1e15  # nothing in a scenario comes near; catches infinity, NaN and integers that no float can hold


def _complaint(value: Any, rule: Rule) -> str:
    if rule.choices:
        return "" if value in rule.choices else f"must be one of {', '.join(rule.choices)}"
    if rule.kind is float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < _LARGEST:
            return "must be a number"
        if rule.whole and value != int(value):
            return "must be a whole number"
        if value < rule.low:
            return f"must be at least {rule.low:g}"
        return f"must be at most {rule.high:g}" if value > rule.high else ""
    return "" if isinstance(value, rule.kind) else f"must be a {rule.kind.__name__}"
