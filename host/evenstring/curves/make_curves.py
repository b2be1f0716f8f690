"""Writes curves.csv: open-circuit voltage of whole cells over state of charge, from sets of `pybamm`.

Run with `PYBAMM_DISABLE_TELEMETRY=true python make_curves.py` where pybamm (BSD-3-Clause, test extra) is installed.
Not needed to use evenstring.
Each column is U_positive(y) - U_negative(x) between the two rest states that the set's voltage limits define. To add a
chemistry: a line in `SETS` where pybamm has a set, else a function in `OWN` that says where its numbers come from; then
one row in evenstring/chemistry.py that names the column.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pybamm  # type: ignore[import-untyped]  # has no types
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]  # comes with pybamm, has no types
from scipy.optimize import brentq  # type: ignore[import-untyped]  # as above

# column name -> pybamm parameter set; the papers are named in evenstring/ocv.py
SETS = {
    "lg_m50_nmc": "Chen2020",
    "umich_nmc": "Mohtat2020",
    "kim_nca": "NCA_Kim2011",
    "kokam_nmc": "Ecker2015",
    "a123_lfp": "Prada2013",
    "chayambuka_nvpf": "Chayambuka2022",
}

# Layered sodium oxide against hard carbon, volts at 0, 10 ... 100 % and at 2 and 5 %: FROM MEMORY of what such cells do
# between 1.5 and 3.95 V, no data sheet and no measurement. A sloping curve, mean near 3.05 V.
_SODIUM_SOC = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
_SODIUM_V = (1.50, 1.95, 2.25, 2.48, 2.70, 2.83, 2.93, 3.03, 3.14, 3.27, 3.43, 3.64, 3.95)

_LTO_EMPTY_V, _LTO_FULL_V = 1.80, 2.70  # FROM MEMORY: titanate cells are used between about these


def sodium_ocv(soc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Layered sodium oxide against hard carbon, V; from memory."""
    return np.asarray(PchipInterpolator(_SODIUM_SOC, _SODIUM_V)(soc))


def titanate_ocv(soc: NDArray[np.float64]) -> NDArray[np.float64]:
    """NMC 532 (Mohtat et al. 2020) against lithium titanate, V.

    The titanate's potential is FROM MEMORY: 1.55 V over nearly all of its charge (two phases), bent at both ends.
    """
    values = pybamm.ParameterValues("Mohtat2020")

    def positive(y: float) -> float:
        return float(np.ravel(values.evaluate(values["Positive electrode OCP [V]"](pybamm.Scalar(y))))[0])

    def titanate(x: float) -> float:
        return 1.55 + 0.25 * float(np.exp(-x / 0.015) - np.exp((x - 1.0) / 0.015))

    empty = brentq(lambda y: positive(y) - titanate(0.05) - _LTO_EMPTY_V, 0.3, 0.9999)
    full = brentq(lambda y: positive(y) - titanate(0.95) - _LTO_FULL_V, 0.001, 0.9)
    return np.array([positive(empty + s * (full - empty)) - titanate(0.05 + 0.9 * s) for s in soc])


OWN: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "memory_na_ion": sodium_ocv,
    "mohtat_lto": titanate_ocv,
}


def cell_ocv(name: str, soc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Open-circuit voltage in V at each state of charge (0..1) of a parameter set."""
    values = pybamm.ParameterValues(name)
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)

    def electrode(key: str, z: float) -> float:
        return float(np.ravel(values.evaluate(values[key](pybamm.Scalar(z))))[0])

    positive = [electrode("Positive electrode OCP [V]", y0 + s * (y100 - y0)) for s in soc]
    negative = [electrode("Negative electrode OCP [V]", x0 + s * (x100 - x0)) for s in soc]
    return np.asarray(np.array(positive) - np.array(negative))


def main() -> None:
    """Write the table beside this script."""
    soc = np.unique(np.concatenate([np.linspace(0, 0.06, 25), np.linspace(0.06, 0.94, 177), np.linspace(0.94, 1, 25)]))
    columns = [cell_ocv(name, soc) for name in SETS.values()] + [make(soc) for make in OWN.values()]
    table = np.column_stack([soc, *columns])
    header = ",".join(["soc", *SETS, *OWN])
    np.savetxt(Path(__file__).with_name("curves.csv"), table, fmt="%.5f", delimiter=",", header=header, comments="")


if __name__ == "__main__":
    main()
