"""Published parameter sets of lithium-ion cells, as they come with pybamm, and two of the BPX examples.

Three sets of papers, chosen before any mark was looked at: `TUNED` is for whoever changes the analysis, `CHECKED` for
looking whether a change holds elsewhere, `WITHHELD` is run once, at the end. Prada2013 stands in the first two, by
other seeds; the second iron phosphate cell is withheld. `OTHERS` are beside them: iron phosphate whose charge and
discharge part, sodium and titanate.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

__all__ = [
    "CHECKED", "FIRST_SEED", "FULL", "OTHERS", "PAPERS", "SETS", "TUNED", "WITHHELD",
    "Paper", "job_of", "number_of", "options_of", "paper_of", "parameters",
]  # fmt: skip

_BPX = Path(__file__).parents[2] / "data" / "physics_cells"


@dataclass(frozen=True)
class Paper:
    """One cell of the literature.

    Attributes:
        source: who published it.
        chemistry: as the owner of a pack would give it.
        full_v: what a charger holds for a group; top of the window of charge.
        empty_v: bottom of the window of charge.
        most_c: highest rate at which the model is ridden, in capacities an hour.
        curve: name of its curve among those that the tool knows, or None.
        shells: of a negative particle. Where its diffusivity changes a hundredfold between close fillings, few are
            wrong: with 20 shells ORegan2022 is off by up to 0.2 V and runs away in a charge at 0.5 C.
        of: the paper whose values are taken, where the name is not its own.
        gap_v: between the open-circuit voltages after a charge and after a discharge (hysteresis).
    """

    source: str
    chemistry: str
    full_v: float = 4.20
    empty_v: float = 2.8
    most_c: float = 1.6
    curve: str | None = None
    shells: int = 20
    of: str | None = None
    gap_v: float = 0.0


PAPERS = {
    "Chen2020": Paper("C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534", "nmc", curve="lg_m50_nmc"),
    "OKane2022": Paper("S. O'Kane et al., Phys. Chem. Chem. Phys. 24 (2022) 7909", "nmc", curve="lg_m50_nmc"),
    "ORegan2022": Paper("K. O'Regan et al., Electrochim. Acta 425 (2022) 140700", "nmc", curve="lg_m50_nmc", shells=60),
    "Ai2020": Paper("W. Ai et al., J. Electrochem. Soc. 167 (2020) 013512", "lco", empty_v=3.0),
    "Ecker2015": Paper("M. Ecker et al., J. Electrochem. Soc. 162 (2015) A1836", "nmc", curve="kokam_nmc"),
    "Mohtat2020": Paper("P. Mohtat et al., J. Electrochem. Soc. 167 (2020) 110561", "nmc", curve="umich_nmc"),
    "Marquis2019": Paper("S. Marquis et al., J. Electrochem. Soc. 166 (2019) A3693", "lco", empty_v=3.1),
    "Ramadass2004": Paper("P. Ramadass et al., J. Electrochem. Soc. 151 (2004) A196", "lco"),
    "NCA_Kim2011": Paper("G.-H. Kim et al., J. Electrochem. Soc. 158 (2011) A955", "nca", curve="kim_nca"),
    "Prada2013": Paper(
        "E. Prada et al., J. Electrochem. Soc. 160 (2013) A616", "lfp", full_v=3.60, empty_v=2.5, curve="a123_lfp"
    ),
    "BPX_NMC": Paper("About:Energy, BPX example of an NMC 111 pouch cell (2022)", "nmc"),
    "BPX_LFP": Paper("About:Energy, BPX example of an LFP 18650 cell (2022)", "lfp", full_v=3.60, empty_v=2.5),
}

_TWO_BRANCHES = "; 20 mV between charge and discharge: W. Dreyer et al., Nature Materials 9 (2010) 448"
OTHERS = {
    **{
        f"{name}_branches": replace(
            PAPERS[name], source=PAPERS[name].source + _TWO_BRANCHES, curve="a123_lfp", of=name, gap_v=0.020
        )
        for name in ("Prada2013", "BPX_LFP")
    },
    "Chayambuka2022": Paper(
        "K. Chayambuka et al., Electrochim. Acta 404 (2022) 139764: sodium", "nvpf", empty_v=2.0, most_c=0.6,
        curve="chayambuka_nvpf",
    ),
    "Mohtat2020_titanate": Paper(
        PAPERS["Mohtat2020"].source + ", its negative electrode at titanate's 1.55 V (from memory)", "lto",
        full_v=2.70, empty_v=1.80, curve="mohtat_lto", of="Mohtat2020",
    ),
}  # fmt: skip

TUNED = ("Chen2020", "Ai2020", "Mohtat2020", "Prada2013")
CHECKED = ("OKane2022", "Ecker2015", "Marquis2019", "Prada2013")
WITHHELD = ("ORegan2022", "Ramadass2004", "NCA_Kim2011", "BPX_NMC", "BPX_LFP")
SETS = {"tuned": TUNED, "checked": CHECKED, "withheld": WITHHELD, "others": tuple(OTHERS)}
FULL = "+DFN"  # after a name: the full model (Doyle, Fuller and Newman) instead of the single-particle one
_FULL_MODEL = {"tuned": "Mohtat2020", "checked": "Ecker2015", "withheld": "Ramadass2004"}  # curves that are formulas
FIRST_SEED = {"tuned": 0, "checked": 100_000, "withheld": 200_000, "others": 300_000}
_DECAY = 25.0  # from branch to branch within some twenty-fifths of the capacity: our choice


def paper_of(name: str) -> Paper:
    """The cell, by either model."""
    name = name.removesuffix(FULL)
    return PAPERS[name] if name in PAPERS else OTHERS[name]


def number_of(name: str) -> int:
    """Of a cell: its sessions are drawn by it, so that it stays as more are added."""
    name = name.removesuffix(FULL)
    return sorted(PAPERS).index(name) if name in PAPERS else 100 + list(OTHERS).index(name)


def job_of(papers: str, k: int) -> str:
    """Which cell the session `k` of a set has; every 25th by the full model, where the set has one."""
    names = SETS[papers]
    return names[k % len(names)] if k % 25 < 24 or papers not in _FULL_MODEL else _FULL_MODEL[papers] + FULL


def options_of(name: str) -> dict[str, Any]:
    """Options of pybamm's model."""
    return {"open-circuit potential": ("single", "one-state hysteresis")} if paper_of(name).gap_v else {}


def parameters(name: str) -> Any:
    """Values of pybamm for this cell, its window of charge between its own empty and full."""
    import pybamm  # noqa: PLC0415  # takes seconds, and cached sessions do without

    paper = paper_of(name)
    of = paper.of or name
    if of.startswith("BPX"):
        file = {"BPX_NMC": "nmc_pouch_cell_BPX.json", "BPX_LFP": "lfp_18650_cell_BPX.json"}[of]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # an older version of the format, read by rule
            values = pybamm.ParameterValues.create_from_bpx(str(_BPX / file))
    else:
        values = pybamm.ParameterValues(of)
    for key, volts in (("Upper voltage cut-off [V]", paper.full_v), ("Lower voltage cut-off [V]", paper.empty_v)):
        values[key] = volts
    values.update(
        {"Open-circuit voltage at 100% SOC [V]": paper.full_v, "Open-circuit voltage at 0% SOC [V]": paper.empty_v},
        check_already_exists=False,
    )
    if paper.chemistry == "lto":
        values["Negative electrode OCP [V]"] = _titanate
    if paper.gap_v:
        values.update(_branches(values["Positive electrode OCP [V]"], paper.gap_v), check_already_exists=False)
    return values


def _titanate(filling: Any) -> Any:
    """V, as in the tool's curve: from memory."""
    import pybamm  # noqa: PLC0415

    return 1.55 + 0.25 * (pybamm.exp(-filling / 0.015) - pybamm.exp((filling - 1.0) / 0.015))


def _branches(middle: Callable[[Any], Any], gap_v: float) -> dict[str, Any]:
    """A positive electrode whose potential lies half the gap higher while lithium leaves it (the cell is charged)."""
    return {
        "Positive electrode lithiation OCP [V]": lambda filling: middle(filling) - 0.5 * gap_v,
        "Positive electrode delithiation OCP [V]": lambda filling: middle(filling) + 0.5 * gap_v,
        "Positive particle lithiation hysteresis decay rate": _DECAY,
        "Positive particle delithiation hysteresis decay rate": _DECAY,
        "Initial hysteresis state in positive electrode": 0.0,
    }
