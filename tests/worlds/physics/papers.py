"""Published parameter sets of lithium-ion cells, as they come with pybamm, and two of the BPX examples.

Three sets of papers, chosen before any mark was looked at: `TUNED` is for whoever changes the analysis, `CHECKED` for
looking whether a change holds elsewhere, `WITHHELD` is run once, at the end. Prada2013 stands in the first two, by
other seeds; the second iron phosphate cell is withheld.
"""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

__all__ = [
    "CHECKED", "FIRST_SEED", "FULL", "PAPERS", "SETS", "TUNED", "WITHHELD", "Paper", "job_of", "paper_of", "parameters",
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
    """

    source: str
    chemistry: str
    full_v: float = 4.20
    empty_v: float = 2.8
    most_c: float = 1.6
    curve: str | None = None
    shells: int = 20


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

TUNED = ("Chen2020", "Ai2020", "Mohtat2020", "Prada2013")
CHECKED = ("OKane2022", "Ecker2015", "Marquis2019", "Prada2013")
WITHHELD = ("ORegan2022", "Ramadass2004", "NCA_Kim2011", "BPX_NMC", "BPX_LFP")
SETS = {"tuned": TUNED, "checked": CHECKED, "withheld": WITHHELD}
FULL = "+DFN"  # after a name: the full model (Doyle, Fuller and Newman) instead of the single-particle one
_FULL_MODEL = {"tuned": "Mohtat2020", "checked": "Ecker2015", "withheld": "Ramadass2004"}  # curves that are formulas
FIRST_SEED = {"tuned": 0, "checked": 100_000, "withheld": 200_000}


def paper_of(name: str) -> Paper:
    """The cell, by either model."""
    return PAPERS[name.removesuffix(FULL)]


def job_of(papers: str, k: int) -> str:
    """Which cell the session `k` of a set has; every 25th by the full model."""
    names = SETS[papers]
    return names[k % len(names)] if k % 25 < 24 else _FULL_MODEL[papers] + FULL


def parameters(name: str) -> Any:
    """Values of pybamm for this cell, its window of charge between its own empty and full."""
    import pybamm  # noqa: PLC0415  # takes seconds, and cached sessions do without

    if name.startswith("BPX"):
        file = {"BPX_NMC": "nmc_pouch_cell_BPX.json", "BPX_LFP": "lfp_18650_cell_BPX.json"}[name]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # an older version of the format, read by rule
            values = pybamm.ParameterValues.create_from_bpx(str(_BPX / file))
    else:
        values = pybamm.ParameterValues(name)
    paper = PAPERS[name]
    for key, volts in (("Upper voltage cut-off [V]", paper.full_v), ("Lower voltage cut-off [V]", paper.empty_v)):
        values[key] = volts
    values.update(
        {"Open-circuit voltage at 100% SOC [V]": paper.full_v, "Open-circuit voltage at 0% SOC [V]": paper.empty_v},
        check_already_exists=False,
    )
    return values
