"""Writes curves.csv: open-circuit voltage of whole cells over state of charge, from sets of `pybamm`.

Run with `PYBAMM_DISABLE_TELEMETRY=true python make_curves.py` where pybamm (BSD-3-Clause, test extra) is installed.
Not needed to use evenstring.
Each column is U_positive(y) - U_negative(x) between the two rest states that the set's voltage limits define.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pybamm  # type: ignore[import-untyped]  # has no types
from numpy.typing import NDArray

# column name -> pybamm parameter set; the papers are named in evenstring/ocv.py
SETS = {
    "lg_m50_nmc": "Chen2020",
    "umich_nmc": "Mohtat2020",
    "kim_nca": "NCA_Kim2011",
    "kokam_nmc": "Ecker2015",
    "a123_lfp": "Prada2013",
}


def cell_ocv(name: str, soc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Open-circuit voltage in V at each state of charge (0..1) of a parameter set."""
    values = pybamm.ParameterValues(name)
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)

    def electrode(key: str, z: float) -> float:
        return float(values.evaluate(values[key](pybamm.Scalar(z))))

    positive = [electrode("Positive electrode OCP [V]", y0 + s * (y100 - y0)) for s in soc]
    negative = [electrode("Negative electrode OCP [V]", x0 + s * (x100 - x0)) for s in soc]
    return np.asarray(np.array(positive) - np.array(negative))


def main() -> None:
    """Write the table beside this script."""
    soc = np.unique(np.concatenate([np.linspace(0, 0.06, 25), np.linspace(0.06, 0.94, 177), np.linspace(0.94, 1, 25)]))
    columns = [cell_ocv(name, soc) for name in SETS.values()]
    table = np.column_stack([soc, *columns])
    header = ",".join(["soc", *SETS])
    np.savetxt(Path(__file__).with_name("curves.csv"), table, fmt="%.5f", delimiter=",", header=header, comments="")


if __name__ == "__main__":
    main()
