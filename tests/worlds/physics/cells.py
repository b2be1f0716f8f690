"""Many cells of one paper, stepped together: pybamm's single-particle model with electrolyte (SPMe), or DFN.

The equations are pybamm's own, put on its mesh and handed over as casadi expressions; ours are the time step and the
loop over cells. The step is ROS2 (Verwer et al., SIAM J. Sci. Comput. 20 (1999) 1456), of second order and L-stable,
halved where the first order that is in it says otherwise: where the diffusivity is steep, long steps run away;
the model's own Jacobian is sparse and eliminated symbolically, so a step costs little more than two evaluations. What
follows at once (the potentials of the DFN) is brought into balance by Newton's rule first. With a C compiler the step
is compiled once a paper.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
import warnings
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np

from tests.worlds.physics.elimination import eliminated
from tests.worlds.physics.papers import FULL, options_of, paper_of, parameters

__all__ = ["CellModel", "Cells", "mesh_of", "model_of"]

_MESH = {"x_n": 8, "x_s": 5, "x_p": 8, "r_p": 20}
_DFN_MESH = {"x_n": 6, "x_s": 4, "x_p": 6, "r_n": 10, "r_p": 10}
_NEWTON = 5  # corrections of the potentials; from the instant before, each doubles the digits
_GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
_ROOM_K = 298.15
_TABLES = "pybamm.input.parameters.sodium_ion.Chayambuka2022"  # whose values are measured tables
_TOLERANCE, _LEAST_S = 2e-3, 1e-3  # of a filling; against a tolerance of 1e-4 all papers stay within 0.5 mV


def mesh_of(name: str) -> dict[str, int]:
    """How many parts electrodes, separator and particles are cut into."""
    return _DFN_MESH if name.endswith(FULL) else {**_MESH, "r_n": paper_of(name).shells}


@dataclass(frozen=True, eq=False)
class CellModel:
    """One paper's cell.

    Attributes:
        step, volts: casadi functions (state, amps, kelvin, seconds) -> state, error; (state, amps, kelvin) -> V, dV/dA.
        empty, full: states at rest at both ends of the window of charge.
        ah: charge between them.
        positive: where in the state the shells of the positive particle are; of the single-particle model only.
    """

    step: Any
    volts: Any
    empty: np.ndarray
    full: np.ndarray
    ah: float
    positive: slice
    _mapped: dict[tuple[str, int], _Many] = field(default_factory=dict)

    def mapped(self, which: str, count: int) -> _Many:
        """`step` or `volts` for so many cells at once."""
        key = which, count
        if key not in self._mapped:
            self._mapped[key] = _Many(getattr(self, which), count)
        return self._mapped[key]


class Cells:
    """The state of `count` cells, each with its own current (charging positive, A of one cell) and temperature."""

    def __init__(self, model: CellModel, soc: np.ndarray, temperature_c: np.ndarray) -> None:
        self.model, self.kelvin = model, np.asarray(temperature_c, float) + 273.15
        self.most_s = np.inf  # of the solver's next step
        self.state = np.ascontiguousarray(model.empty + np.asarray(soc)[:, None] * (model.full - model.empty))

    def copy(self) -> Cells:
        other = Cells(self.model, np.zeros(len(self.state)), self.kelvin - 273.15)
        other.state, other.most_s = self.state.copy(), self.most_s
        return other

    def volts(self, charging_a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """V of each cell, and by how much it rises with an ampere more, at this instant."""
        v, slope = self.model.mapped("volts", len(self.state))(self.state, -charging_a, self.kelvin)
        return v, -slope

    def step(self, charging_a: np.ndarray, seconds: float) -> None:
        """On by so many seconds at this current."""
        many, left_s = self.model.mapped("step", len(self.state)), seconds
        while left_s > 1e-9 * seconds:
            step_s = min(left_s, self.most_s)
            state, wrong = many(self.state, -charging_a, self.kelvin, np.full(len(self.state), step_s))
            if not wrong.max() < _TOLERANCE and step_s > _LEAST_S:
                self.most_s = 0.5 * step_s
                continue
            self.state, left_s = state, left_s - step_s
            if wrong.max() < 0.25 * _TOLERANCE:
                self.most_s = max(self.most_s, 2.0 * step_s)


class _Many:
    """A casadi function for many cells at once, called through buffers."""

    def __init__(self, of: Any, count: int) -> None:
        self.mapped = of.map(count, "serial")
        self.buffer, self.trigger = self.mapped.buffer()
        self.shapes = [self.mapped.size_out(k)[::-1] for k in range(self.mapped.n_out())]

    def __call__(self, *args: np.ndarray) -> list[np.ndarray]:
        given = [np.ascontiguousarray(a, float) for a in args]  # held until the call is over
        out = [np.empty(shape) for shape in self.shapes]
        for k, array in enumerate(given):
            self.buffer.set_arg(k, memoryview(array))
        for k, array in enumerate(out):
            self.buffer.set_res(k, memoryview(array))
        self.trigger()
        return [a if a.shape[1] > 1 else a[:, 0] for a in out]


@cache
def model_of(name: str) -> CellModel:
    """The model of a paper's cell; "PAPER+DFN" for the full model."""
    import casadi  # noqa: PLC0415  # as pybamm

    built, inputs = _built(name)
    empty, full = (_at_rest(name, soc, inputs) for soc in (0.0, 1.0))
    y, amps, kelvin, t = (casadi.MX.sym(n, k) for n, k in (("y", len(empty)), ("i", 1), ("T", 1), ("t", 1)))
    named = dict(zip(inputs, (amps, kelvin, kelvin), strict=True))
    parts = [built.concatenated_rhs.to_casadi(t, y, inputs=named)]
    if built.len_alg:
        parts.append(built.concatenated_algebraic.to_casadi(t, y, inputs=named))
    rates = casadi.Function("rates", [y, amps, kelvin], [casadi.vertcat(*parts)]).expand()
    volts = built.get_processed_variable("Voltage [V]").to_casadi(t, y, inputs=named)
    balanced = _balanced(casadi, rates, built.len_rhs, len(empty))
    volts = _volts(casadi, casadi.Function("at", [y, amps, kelvin], [volts]), balanced, len(empty))
    step = _ros2(casadi, rates, balanced, built.len_rhs, len(empty))
    step, volts = _compiled(casadi, name, step, volts)
    positive = _positive(built)
    return CellModel(step, volts, empty, full, _ampere_hours(name, empty, full, rates, positive), positive)


def _simulation(name: str) -> tuple[Any, list[str]]:
    import pybamm  # noqa: PLC0415

    values = parameters(name.removesuffix(FULL))
    inputs = ["Current function [A]", "Ambient temperature [K]", "Initial temperature [K]"]
    for key in inputs:
        values[key] = "[input]"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a parameter of hysteresis changed its meaning once: ours is the new one
        model = (pybamm.lithium_ion.DFN if name.endswith(FULL) else pybamm.lithium_ion.SPMe)(options_of(name))
    return pybamm.Simulation(model, parameter_values=values, var_pts=mesh_of(name)), inputs


def _built(name: str, soc: float = 0.5) -> tuple[Any, list[str]]:
    import pybamm  # noqa: PLC0415

    simulation, inputs = _simulation(name)
    with mock.patch(f"{_TABLES}.pybamm", SimpleNamespace(**vars(pybamm) | {"Interpolant": _broken_line})):
        simulation.build(initial_soc=soc, inputs=dict(zip(inputs, (0.0, _ROOM_K, _ROOM_K), strict=True)))
    return simulation.built_model, inputs


def _broken_line(x: np.ndarray, y: np.ndarray, at: Any, *_: Any) -> Any:
    """A measured table as plain arithmetic, since a table cannot be compiled: straight from point to point."""
    import pybamm  # noqa: PLC0415

    x, y = np.ravel(x), np.ravel(y)
    slope = np.diff(y) / np.diff(x)
    line = float(y[0]) + float(slope[0]) * (at - float(x[0]))
    for bend, knot in zip(np.diff(slope), x[1:-1], strict=True):
        line += float(bend) * pybamm.maximum(at - float(knot), 0.0)
    return line


def _at_rest(name: str, soc: float, inputs: list[str]) -> np.ndarray:
    built, _ = _built(name, soc)
    at = dict(zip(inputs, (0.0, _ROOM_K, _ROOM_K), strict=True))
    return np.array(built.concatenated_initial_conditions.evaluate(inputs=at)).ravel()


def _balanced(casadi: Any, rates: Any, moving: int, n: int) -> Any:
    """The state with what follows at once (from `moving` on) in balance with the current."""
    y, amps, kelvin = casadi.SX.sym("y", n), casadi.SX.sym("i"), casadi.SX.sym("T")
    if moving == n:
        return casadi.Function("balanced", [y, amps, kelvin], [y])
    wrong = rates(y, amps, kelvin)[moving:]
    solve = eliminated(casadi, casadi.jacobian(wrong, y)[:, moving:])
    nearer = casadi.vertcat(y[:moving], y[moving:] - solve(wrong))
    once = casadi.Function("nearer", [y, amps, kelvin], [nearer])
    state, i, t = casadi.MX.sym("y", n), casadi.MX.sym("i"), casadi.MX.sym("T")
    found = state
    for _ in range(_NEWTON):
        found = once(found, i, t)
    return casadi.Function("balanced", [state, i, t], [found])


def _volts(casadi: Any, at: Any, balanced: Any, n: int) -> Any:
    """V, and V per ampere of discharge, with the balance at that current."""
    y, amps, kelvin = casadi.MX.sym("y", n), casadi.MX.sym("i"), casadi.MX.sym("T")
    volts = at(balanced(y, amps, kelvin), amps, kelvin)
    return casadi.Function("volts", [y, amps, kelvin], [volts, casadi.jacobian(volts, amps)])


def _ros2(casadi: Any, rates: Any, balanced: Any, moving: int, n: int) -> Any:
    y, amps, kelvin, h = (casadi.SX.sym(s, k) for s, k in (("y", n), ("i", 1), ("T", 1), ("h", 1)))
    mass = casadi.diag(casadi.vertcat(casadi.SX.ones(moving), casadi.SX(n - moving, 1)))
    f = rates(y, amps, kelvin)
    solve = eliminated(casadi, mass - _GAMMA * h * casadi.jacobian(f, y))
    k1 = solve(f)
    k2 = solve(rates(y + h * k1, amps, kelvin) - 2.0 * casadi.mtimes(mass, k1))
    wrong = casadi.norm_inf(0.5 * h * (k1 + k2)[:moving])  # against the first order that is in it
    one = casadi.Function("one", [y, amps, kelvin, h], [y + h * (1.5 * k1 + 0.5 * k2), wrong])
    given = [casadi.MX.sym(s, k) for s, k in (("y", n), ("i", 1), ("T", 1), ("h", 1))]
    return casadi.Function("step", given, list(one(balanced(*given[:3]), *given[1:])))


def _compiled(casadi: Any, name: str, step: Any, volts: Any) -> tuple[Any, Any]:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return step, volts
    with tempfile.TemporaryDirectory() as folder:
        generator = casadi.CodeGenerator("cell.c")
        generator.add(step)
        generator.add(volts)
        generator.generate(folder + "/")
        code = Path(folder, "cell.c").read_bytes()
        kept = Path(tempfile.gettempdir()) / f"evenstring_{name}_{hashlib.sha256(code).hexdigest()[:16]}.so"
        if not kept.exists():
            built = Path(folder, "cell.so")
            command = [compiler, "-O1", "-shared", "-fPIC", "-o", str(built), str(Path(folder, "cell.c")), "-lm"]
            subprocess.run(command, check=True, capture_output=True)
            shutil.copy(built, f"{kept}.{hashlib.sha256(folder.encode()).hexdigest()[:8]}")
            Path(f"{kept}.{hashlib.sha256(folder.encode()).hexdigest()[:8]}").replace(kept)
    return casadi.external("step", str(kept)), casadi.external("volts", str(kept))


def _positive(built: Any) -> slice:
    """Where in the state the shells of the single model's positive particle are."""
    slices = {variable.name: at[0] for variable, at in built.y_slices.items()}
    return slices.get("X-averaged positive particle concentration [mol.m-3]", slice(0))


def _ampere_hours(name: str, empty: np.ndarray, full: np.ndarray, rates: Any, positive: slice) -> float:
    """Charge between empty and full: what a current does to the mean of a positive particle, whose mesh is even.

    The full model has the window of the single-particle one.
    """
    if name.endswith(FULL):
        return model_of(name.removesuffix(FULL)).ah
    shells = np.diff(np.linspace(0.0, 1.0, _MESH["r_p"] + 1) ** 3)
    change = np.array(rates(0.5 * (empty + full), 1.0, _ROOM_K)).ravel()[positive] @ shells
    return float(abs((full - empty)[positive] @ shells / change) / 3600.0)
