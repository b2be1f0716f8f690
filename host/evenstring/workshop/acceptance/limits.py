"""The file of acceptance limits: TOML whose every key is known, or one of the ready files by name."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from evenstring.checked_toml import Checked, ValueRule, toml_text
from evenstring.errors import InputError
from evenstring.profile import PackProfile
from evenstring.workshop.acceptance.conformity import Limit, Prior, Side
from evenstring.workshop.acceptance.quantities import QUANTITIES

__all__ = ["AcceptanceLimits", "Criterion", "limits_named", "parse_limits", "ready_names"]

# A value at the edge of the guard band is then beyond its limit with 5 %: published (normal distribution).
GUARD_BAND = 1.645
_ORIGINS = ("published", "common practice", "our choice", "agreed")  # agreed: with the customer
_OF_PACK = ("full_v", "ceiling_v", "empty_v", "discard_v")
_TEXT = ValueRule(str, longest=400)
_BAND = ValueRule(low=0, high=10, hint="in standard uncertainties; 1.645 leaves 5 % at its edge, 2 leaves 2.3 %")
_HEAD = {"name": ValueRule(str, longest=60), "about": _TEXT, "guard_band": _BAND}
_ROW = {
    "of": ValueRule(str), "most": ValueRule(), "least": ValueRule(), "most_of_pack": ValueRule(choices=_OF_PACK),
    "least_of_pack": ValueRule(choices=_OF_PACK), "load_a": ValueRule(low=0.01, high=5000), "guard_band": _BAND,
    "needed": ValueRule(bool), "prior_mean": ValueRule(), "prior_u": ValueRule(above=0),
    "origin": ValueRule(choices=_ORIGINS), "because": _TEXT,
}  # fmt: skip
_BOUNDS: dict[str, Side] = {"most": "most", "most_of_pack": "most", "least": "least", "least_of_pack": "least"}


@dataclass(frozen=True, slots=True)
class Criterion:
    """One limit of the file. `needed`: without it decided, the whole does not pass."""

    of: str  # a key of QUANTITIES
    limit: Limit
    origin: str
    because: str = ""
    needed: bool = True
    load_a: float | None = None  # for the lowest group under a stated load
    prior: Prior | None = None


@dataclass(frozen=True, slots=True)
class AcceptanceLimits:
    """A file of limits, for one pack."""

    name: str
    about: str
    criteria: tuple[Criterion, ...]


def ready_names() -> tuple[str, ...]:
    """Names of the files that come with this program."""
    return tuple(sorted(p.name.removesuffix(".toml") for p in _ready().iterdir() if p.name.endswith(".toml")))


def limits_named(name: str, profile: PackProfile) -> AcceptanceLimits:
    """Limits by the name of a ready file, or by the path of a file.

    Raises:
        InputError: neither, or not a file of limits; with its line.
    """
    if name in ready_names():
        return parse_limits(_ready().joinpath(f"{name}.toml").read_text(encoding="utf-8"), name, profile)
    try:
        text = toml_text(Path(name).read_bytes())
    except (OSError, UnicodeDecodeError) as error:
        ready = ", ".join(ready_names())
        raise InputError(f"{name}: cannot read these limits ({error}); give a TOML file, or one of {ready}") from error
    return parse_limits(text, name, profile)


def parse_limits(text: str, where: str, profile: PackProfile) -> AcceptanceLimits:
    """Limits from the text of a file; limits of the pack are taken from its profile.

    Raises:
        InputError: not TOML, a key or quantity that is not known, a value that makes no sense; with its line.
    """
    doc = Checked(text, where)
    doc.check_tables(["acceptance", "limit"])
    head = doc.table("acceptance", _HEAD)
    rows = doc.tables("limit")
    if not rows:
        raise doc.error("acceptance", 0, "", "there is no [[limit]] in it, so nothing could be decided")
    band = head.get("guard_band", GUARD_BAND)
    criteria = tuple(_criterion(doc, k, row, band, profile) for k, row in enumerate(rows))
    return AcceptanceLimits(head.get("name", Path(where).stem), head.get("about", ""), criteria)


def _criterion(doc: Checked, k: int, row: dict[str, Any], band: float, profile: PackProfile) -> Criterion:
    values = doc.values("limit", k, row, _ROW)
    of = values.get("of", "")
    if of not in QUANTITIES:
        raise doc.unknown(("limit", k, "of"), of, list(QUANTITIES), "quantity")
    given = [key for key in _BOUNDS if key in values]
    if len(given) != 1:
        raise doc.error("limit", k, "of", "a limit has one of most, least, most_of_pack and least_of_pack")
    if "origin" not in values:
        raise doc.error("limit", k, "of", f"say where the figure is from: origin = one of {', '.join(_ORIGINS)}")
    if (of == "lowest_under_load_v") != ("load_a" in values):
        raise doc.error("limit", k, "of", "load_a, the discharge current in A, goes with lowest_under_load_v, always")
    if ("prior_mean" in values) != ("prior_u" in values):
        raise doc.error("limit", k, "of", "prior_mean and prior_u go together")
    bound = values[given[0]]
    bound = getattr(profile, bound) if isinstance(bound, str) else bound
    return Criterion(
        of=of,
        limit=Limit(bound, _BOUNDS[given[0]], values.get("guard_band", band)),
        origin=values["origin"],
        because=values.get("because", ""),
        needed=values.get("needed", True),
        load_a=values.get("load_a"),
        prior=Prior(values["prior_mean"], values["prior_u"]) if "prior_mean" in values else None,
    )


def _ready() -> Any:
    return files("evenstring.workshop.acceptance").joinpath("ready")
