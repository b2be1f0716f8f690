"""What is commonly true of a cell chemistry: one row each, with its limits, curves and spellings.

Limits are volts of one group. They are defaults: the cell maker's data sheet and the pack maker's limits come first.
A curve is a column of curves/curves.csv; `evenstring.ocv` names the papers.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from evenstring.errors import InputError

__all__ = ["CHEMISTRIES", "Chemistry", "chemistry_named", "curves_like"]


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One chemistry.

    Attributes:
        full_v, ceiling_v, empty_v, discard_v: limits of a group. threshold_v: where a protection board begins to bleed.
        curves: columns of curves.csv that are this chemistry's; the first is assumed where nothing better is known.
        spellings: how people write it besides its key; case, blanks, hyphens and a trailing mix (811) do not matter.
        curve_family: chemistries of one family have curves so alike that each may stand for another's.
        guessed: False where it is so rare in vehicles that a recording which looks like it is more likely another one's
            (a charger set low, a charge stopped at 80 %): then only who says so in pack.toml gets it.
        judged_by_charge: the curve is so flat that millivolts of spread say next to nothing about balance.
        rise, rise_u, rise_soc: towards empty the resistance is 1 + rise exp(-SoC / rise_soc) of that at a high SoC; the
            standard uncertainty of rise. Common practice; of hard carbon tuned on a published cell, which under load
            runs out of sodium at the surface well above empty (Chayambuka et al. 2022).
        about: its name in words.
        source: where limits come from.
    """

    full_v: float
    ceiling_v: float
    empty_v: float
    discard_v: float
    threshold_v: float
    curves: tuple[str, ...]
    spellings: tuple[str, ...]
    curve_family: str
    about: str
    source: str
    judged_by_charge: bool = False
    guessed: bool = True
    rise: float = 0.8
    rise_u: float = 0.45
    rise_soc: float = 0.08

    @property
    def limits(self) -> dict[str, float]:
        """The limits by the names of the profile's fields."""
        names = ("full_v", "ceiling_v", "empty_v", "discard_v", "threshold_v")
        return {name: getattr(self, name) for name in names}


CHEMISTRIES: dict[str, Chemistry] = {
    "nmc": Chemistry(
        full_v=4.20, ceiling_v=4.25, empty_v=3.00, discard_v=2.50, threshold_v=4.18,
        curves=("lg_m50_nmc", "umich_nmc"), curve_family="layered oxide",
        spellings=("ncm", "linimncoo2", "lithium nickel manganese cobalt oxide", "nickel manganese cobalt"),
        about="nickel manganese cobalt oxide", source="common practice",
    ),
    "nca": Chemistry(
        full_v=4.20, ceiling_v=4.25, empty_v=3.00, discard_v=2.50, threshold_v=4.18,
        curves=("kim_nca",), curve_family="layered oxide",
        spellings=("linicoalo2", "lithium nickel cobalt aluminium oxide", "lithium nickel cobalt aluminum oxide"),
        about="nickel cobalt aluminium oxide", source="common practice",
    ),
    "lco": Chemistry(
        full_v=4.20, ceiling_v=4.25, empty_v=3.00, discard_v=2.50, threshold_v=4.18,
        curves=("kokam_nmc",), curve_family="layered oxide",
        spellings=("licoo2", "lithium cobalt oxide", "cobalt oxide"),
        about="cobalt oxide", source="common practice",
    ),
    "lfp": Chemistry(
        full_v=3.60, ceiling_v=3.65, empty_v=2.50, discard_v=2.00, threshold_v=3.45,
        curves=("a123_lfp",), curve_family="iron phosphate", judged_by_charge=True,
        spellings=("lifepo4", "lifepo", "lithium iron phosphate", "iron phosphate", "lithium ferro phosphate"),
        about="iron phosphate", source="common practice, from memory",
    ),
    "na_ion": Chemistry(
        full_v=3.95, ceiling_v=4.00, empty_v=2.00, discard_v=1.50, threshold_v=3.90,
        curves=("memory_na_ion",), curve_family="sodium layered oxide", guessed=False,
        rise=3.0, rise_u=1.5, rise_soc=0.15,
        spellings=("sodium ion", "sodium", "sib", "nfm", "sodium layered oxide"),
        about="sodium-ion, layered oxide against hard carbon", source="from memory, as the curve is",
    ),
    "nvpf": Chemistry(
        full_v=4.20, ceiling_v=4.25, empty_v=2.00, discard_v=1.50, threshold_v=4.18,
        curves=("chayambuka_nvpf",), curve_family="sodium fluorophosphate", guessed=False,
        rise=3.0, rise_u=1.5, rise_soc=0.15,
        spellings=("navpo4f", "sodium vanadium fluorophosphate"),
        about="sodium-ion, vanadium fluorophosphate against hard carbon",
        source="full and empty as in Chayambuka et al. 2022; ceiling, discard and bleed threshold from memory",
    ),
    "lto": Chemistry(
        full_v=2.70, ceiling_v=2.80, empty_v=1.80, discard_v=1.50, threshold_v=2.65,
        curves=("mohtat_lto",), curve_family="titanate", guessed=False,
        spellings=("lithium titanate", "titanate", "li4ti5o12", "lithium titanium oxide"),
        about="lithium titanate against layered oxide", source="from memory",
    ),
}  # fmt: skip


_ONLY_LITHIUM = frozenset({"liion", "lithiumion", "lithium", "lipo", "lipoly", "lithiumpolymer", "lipolymer"})


def chemistry_named(text: str) -> str:
    """The key in `CHEMISTRIES` of a chemistry as somebody wrote it: "LiFePO4", "Li-ion NMC", "NMC811".

    Raises:
        InputError: none that is known, with the nearest.
    """
    key = _plain(text)
    known = {_plain(word): name for name, row in CHEMISTRIES.items() for word in (name, *row.spellings)}
    for form in (key, re.sub(r"\d{3}$", "", key), re.sub(r"^(lithiumion|liion|lithium|li)", "", key)):
        for end in (form, re.sub(r"\d{3}$", "", form), re.sub(r"(lithiumion|liion|lithium|cells?|battery)$", "", form)):
            if end in known:
                return known[end]
    if key in _ONLY_LITHIUM:
        raise InputError(
            f"chemistry {text[:40]!r} does not say which: 4.2 V a cell when full is mostly 'nmc', 3.6 to 3.65 V is"
            f" 'lfp'. Known are {', '.join(CHEMISTRIES)}"
        )
    near = difflib.get_close_matches(key, known, n=1) if len(key) > 3 else []  # three letters are near anything
    hint = f"did you mean {known[near[0]]!r}? Known are" if near else "use one of"
    raise InputError(f"chemistry {text[:40]!r} is not known; {hint} {', '.join(CHEMISTRIES)}")


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def curves_like(chemistry: str) -> tuple[str, ...]:
    """Columns of all chemistries whose curves are like this one's, itself included."""
    family = CHEMISTRIES[chemistry].curve_family
    return tuple(c for row in CHEMISTRIES.values() if row.curve_family == family for c in row.curves)
