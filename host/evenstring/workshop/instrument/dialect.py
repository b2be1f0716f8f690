"""The words of one instrument: a TOML file, so that another one is a copy with a few lines changed, and no code."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from evenstring.checked_toml import Checked, ValueRule, toml_text
from evenstring.errors import InputError

__all__ = ["KINDS", "Dialect", "dialect_named", "dialect_names", "parse_dialect"]

KINDS = ("supply", "load")
_COMMAND = ValueRule(str, longest=100)
_HEAD = {
    "kind": ValueRule(choices=KINDS),
    "name": ValueRule(str, longest=100),
    "baud": ValueRule(low=300, high=4_000_000, whole=True),
    "answer_s": ValueRule(low=0.05, high=10.0),
    "most_v": ValueRule(above=0, high=1500),
    "most_a": ValueRule(above=0, high=1000),
}
_QUERIES = ("get_a", "state", "measure_v", "measure_a", "error", "identify")
_NEEDED = ("set_a", "on", "off", *_QUERIES)
_OF_A_SUPPLY = ("set_v", "get_v")
_MAY = ("protect_v", "protect_a", "clear", "remote")
_COMMANDS = dict.fromkeys((*_NEEDED, *_OF_A_SUPPLY, *_MAY), _COMMAND) | {"begin": ValueRule(list)}
_WITH_VALUE = ("set_v", "set_a", "protect_v", "protect_a")


@dataclass(frozen=True, slots=True)
class Dialect:
    """What to send to one kind of instrument, and what it can do. Commands hold `{}` where a value goes."""

    kind: str  # of KINDS
    name: str
    set_a: str
    get_a: str
    on: str
    off: str
    state: str
    measure_v: str
    measure_a: str
    error: str
    identify: str
    set_v: str = ""
    get_v: str = ""
    protect_v: str = ""
    protect_a: str = ""
    clear: str = ""
    remote: str = ""  # sent first on every line that is made: some take nothing before it
    begin: tuple[str, ...] = ()  # sent once, output off: which output, the mode of a load
    baud: int = 9600
    answer_s: float = 2.0  # an answer that takes longer is none
    most_v: float | None = None
    most_a: float | None = None

    @property
    def what(self) -> str:
        """What it is called in sentences."""
        return "bench supply" if self.kind == "supply" else "electronic load"


def dialect_names() -> tuple[str, ...]:
    """Names of the files that come with this program."""
    return tuple(sorted(p.name.removesuffix(".toml") for p in _ready().iterdir() if p.name.endswith(".toml")))


def dialect_named(name: str, kind: str) -> Dialect:
    """A dialect by the name of a ready file or by its path, for an instrument of this kind.

    Raises:
        InputError: neither, not such a file, or one of the other kind.
    """
    if name in dialect_names():
        text = _ready().joinpath(f"{name}.toml").read_text(encoding="utf-8")
    else:
        try:
            text = toml_text(Path(name).read_bytes())
        except (OSError, UnicodeDecodeError) as error:
            ready = ", ".join(dialect_names())
            raise InputError(f"{name}: cannot read this instrument's words ({error}); give a TOML file, or {ready}"
                             ) from error  # fmt: skip
    dialect = parse_dialect(text, name)
    if dialect.kind != kind:
        raise InputError(f"{name}: it describes a {dialect.kind}, and a {kind} was asked for")
    return dialect


def parse_dialect(text: str, where: str) -> Dialect:
    """A dialect from the text of its file.

    Raises:
        InputError: not TOML, a key that is not known or is missing, a command that cannot be one; with its line.
    """
    doc = Checked(text, where)
    doc.check_tables(["instrument", "commands"])
    head, commands = doc.table("instrument", _HEAD), doc.table("commands", _COMMANDS)
    if "kind" not in head:
        raise doc.error("instrument", 0, "", f"say what it is: kind = one of {', '.join(KINDS)}")
    needed = (*_NEEDED, *(_OF_A_SUPPLY if head["kind"] == "supply" else ()))
    if missing := [name for name in needed if not commands.get(name)]:
        raise doc.error("commands", 0, "", f"these commands are missing: {', '.join(missing)}")
    begin = commands.pop("begin", [])
    for key, command in (*commands.items(), *(("begin", c) for c in begin)):
        if why := _complaint(key, command):
            raise doc.error("commands", 0, key, f"{key} {why}")
    if "baud" in head:
        head["baud"] = int(head["baud"])
    name = head.pop("name", where)
    return Dialect(name=name, begin=tuple(begin), **head, **commands)


def _complaint(key: str, command: Any) -> str:
    if not isinstance(command, str) or not command.isascii() or not command.isprintable():
        return "must be one line of plain ASCII"
    if command.count("{}") != (key in _WITH_VALUE) or command.replace("{}", "").count("{"):
        return "must hold {} once, where the value goes" if key in _WITH_VALUE else "takes no value, so no {}"
    if key in _QUERIES and not command.split(" ")[0].endswith("?"):
        return "is a question, and those end with ?"
    if key not in _QUERIES and key != "get_v" and "?" in command:
        return "is no question: what answers unasked would be taken for the answer to the next one"
    return ""


def _ready() -> Any:
    return files("evenstring.workshop.instrument").joinpath("ready")
