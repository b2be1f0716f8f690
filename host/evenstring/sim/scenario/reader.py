"""Scenarios: a pack, what is wrong with it, what happens, and the meter, as readable TOML.

`load_scenario` reads one by name (from scenarios/) or from a file; every mistake in it is refused with line and reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenstring.checked_toml import Checked, ValueRule, toml_text
from evenstring.chemistry import CHEMISTRIES
from evenstring.errors import InputError
from evenstring.ocv import CURVES, curve, default_curve, slipped
from evenstring.profile import BLEED_RULES
from evenstring.session import Meter
from evenstring.sim.cells.pack import Balancer, ChargerModel, Pack, Scatter
from evenstring.sim.meter import MeterModel
from evenstring.sim.run.duty_cycle import DutyCycle
from evenstring.sim.run.engine import simulate
from evenstring.sim.run.random_ride import Load
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario.faults import KINDS, Fault, changes, with_meter_faults

__all__ = ["Scenario", "load_scenario", "parse_scenario", "scenario_names"]

_POSITIVE = ValueRule(low=1e-6)
# Steps that are worked out second by second; a longer one is `store`, or comes in parts.
_WEEK_MIN, _WEEK_H = ValueRule(low=1e-6, high=7 * 24 * 60), ValueRule(low=1e-6, high=7 * 24)
_ANY, _COUNT = ValueRule(), ValueRule(low=0, whole=True)
_FLAG, _TEXT = ValueRule(bool), ValueRule(str)
_RULES: dict[str, dict[str, ValueRule]] = {
    "scenario": {"title": _TEXT, "story": _TEXT, "answers": ValueRule(list)},
    "pack": {
        "name": _TEXT, "groups": ValueRule(low=1, high=40, whole=True),
        "chemistry": ValueRule(choices=tuple(CHEMISTRIES)),
        "curve": ValueRule(choices=CURVES), "curve_slip": ValueRule(low=-0.06, high=0.06), "capacity_ah": _POSITIVE,
        "r0_mohm": _POSITIVE, "soc": ValueRule(low=0, high=1), "seed": _COUNT,
        "scatter": ValueRule(low=0, high=10),
        "gradient_k": _ANY, "gradient": ValueRule(choices=("linear", "middle", "folded")),
    },
    "balancer": {
        "rule": ValueRule(choices=BLEED_RULES), "threshold_v": _POSITIVE, "bleed_ma": ValueRule(low=0),
        "above_lowest_mv": ValueRule(low=0), "at_rest": _FLAG,
    },
    "charger": {"current_a": _POSITIVE, "set_v": _POSITIVE, "done_light_a": _POSITIVE, "off_at_light": _FLAG},
    "protection": {
        "ceiling_v": _POSITIVE, "release_v": _POSITIVE, "floor_v": ValueRule(low=-1), "vehicle_cutoff_v": _POSITIVE,
    },
    "meter": {
        "offset_mv": ValueRule(low=0), "noise_mv": ValueRule(low=0), "gain_ppm": ValueRule(low=0), "comb_mv": _ANY,
        "shared_lead_mohm": ValueRule(low=0),
        "position_mv": _ANY, "scans_per_s": ValueRule(low=0.01, high=50), "quiet_s": ValueRule(low=0.02, high=65),
        "current": _FLAG,
    },
}  # fmt: skip
_STEPS: dict[str, dict[str, ValueRule]] = {
    "ride": {
        "minutes": _WEEK_MIN, "seed": _COUNT, "peak_a": _POSITIVE, "until_soc": ValueRule(low=0, high=1),
    },
    "rest": {"minutes": _WEEK_MIN},
    "charge": {"hours": _WEEK_H, "until_soc": ValueRule(low=0, high=1), "leave_hours": ValueRule(low=0, high=168)},
    "store": {"days": ValueRule(low=1e-6, high=3660)},
}  # fmt: skip
_NEEDED = {"ride": "minutes", "rest": "minutes", "charge": "hours", "store": "days"}
_FAULT_VALUES: dict[str, ValueRule] = {
    "group": ValueRule(low=1, whole=True), "tap": _COUNT, "other_tap": _COUNT,
    "percent": ValueRule(low=-99, high=1000), "mohm": _POSITIVE, "of": ValueRule(low=2, whole=True),
    "ma": ValueRule(low=0),
    "mv": _ANY,
    "ppm": ValueRule(low=-10000, high=10000), "mv_per_h": _ANY, "open_s": _POSITIVE, "closed_s": _POSITIVE,
}  # fmt: skip
_FOLDER = Path(__file__).parents[1] / "scenarios"


@dataclass(frozen=True, eq=False)
class Scenario:
    """All of one scenario, ready to run. `answers` are numbers of the questions that a rider asks."""

    name: str
    title: str
    story: str
    answers: tuple[int, ...]
    pack: Pack
    plan: DutyCycle
    faults: tuple[Fault, ...]
    meter: MeterModel
    pack_toml: str
    scans_per_s: float = 2.0
    quiet_s: float = 10.0
    with_current: bool = True

    def run(self) -> Trajectory:
        """The trajectory, faults included."""
        return simulate(self.pack, self.plan, changes=changes(self.faults))


def scenario_names() -> list[str]:
    """Names of the library's scenarios."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


def load_scenario(name: str) -> Scenario:
    """By name, or by the path of a .toml file.

    Raises:
        InputError: no such scenario, or a mistake in it (with its line).
    """
    path = Path(name) if name.endswith(".toml") else _FOLDER / f"{name}.toml"
    if not path.is_file():
        raise InputError(f"{name}: no such scenario; use a .toml file or one of {', '.join(scenario_names())}")
    try:
        text = toml_text(path.read_bytes())
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot read this scenario ({error})") from error
    return parse_scenario(text, name=path.stem, where=path.name)


def parse_scenario(text: str, *, name: str = "scenario", where: str = "scenario") -> Scenario:
    """From the text of a scenario.

    Raises:
        InputError: a mistake, with its line.
    """
    doc = Checked(text, where)
    doc.check_tables([*_RULES, "step", "fault"])
    tables = {table: doc.table(table, rules) for table, rules in _RULES.items()}
    head, chosen = tables["scenario"], tables["meter"]
    pack = _pack(doc, tables)
    plan, hours = _plan(doc, tables["pack"].get("soc", 0.9))
    faults = _faults(doc, pack.groups, hours)
    answers = head.get("answers", [])
    if not all(isinstance(a, int) and 1 <= a <= 8 for a in answers):
        raise doc.error("scenario", 0, "answers", "answers must be question numbers from 1 to 8")
    return Scenario(
        name=name,
        title=str(head.get("title", name)),
        story=str(head.get("story", "")),
        answers=tuple(answers),
        pack=pack,
        plan=plan,
        faults=faults,
        meter=with_meter_faults(_meter(chosen, pack.groups, int(tables["pack"].get("seed", 1))), faults, pack.groups),
        pack_toml=_profile(tables, pack, str(head.get("title", name))),
        scans_per_s=chosen.get("scans_per_s", 2.0),
        quiet_s=chosen.get("quiet_s", 10.0),
        with_current=bool(chosen.get("current", True)),
    )


def _pack(doc: Checked, tables: dict[str, dict[str, Any]]) -> Pack:
    p = tables["pack"]
    if "groups" not in p:
        raise doc.error("pack", 0, "", "[pack] needs groups")
    chemistry, groups = p.get("chemistry", "nmc"), int(p["groups"])
    cell = curve(p["curve"]) if "curve" in p else default_curve(chemistry)
    if p.get("curve_slip"):
        cell = slipped(cell, p["curve_slip"])
    by = p.get("scatter", 1.0)
    base = Scatter()
    scatter = Scatter(
        *(by * s for s in (base.capacity, base.resistance, base.charge, base.leak_per_week, base.sense_v))
    )
    pack = Pack.random(
        np.random.default_rng(int(p.get("seed", 1))), groups=groups, scatter=scatter, soc=p.get("soc", 0.9),
        capacity_ah=p.get("capacity_ah", 20.0), r0_ohm=p.get("r0_mohm", 7.0) / 1000.0, chemistry=chemistry, curve=cell,
    )  # fmt: skip
    charger = replace(ChargerModel(), **tables["charger"])
    protection = replace(pack.protection, **tables["protection"])
    if protection.ceiling_v <= protection.floor_v:
        raise doc.error("protection", 0, "ceiling_v", f"ceiling_v must be above floor_v ({protection.floor_v:g})")
    return replace(
        pack,
        temp_offset_k=p.get("gradient_k", 0.0) * _gradient(p.get("gradient", "linear"), groups),
        balancer=_balancer(pack.balancer, tables["balancer"]),
        charger=charger,
        protection=protection,
    )


def _gradient(shape: str, groups: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Temperature over string order, 0 to 1: along the string, warm in the middle, or a string folded in two."""
    x = np.linspace(0.0, 1.0, groups)
    if shape == "middle":
        return np.asarray(1.0 - (2.0 * x - 1.0) ** 2)
    return np.asarray(1.0 - np.abs(2.0 * x - 1.0)) if shape == "folded" else x


def _balancer(base: Balancer, given: dict[str, Any]) -> Balancer:
    named: dict[str, Any] = {key: given[key] for key in ("rule", "threshold_v", "at_rest") if key in given}
    if "bleed_ma" in given:
        named["bleed_a"] = given["bleed_ma"] / 1000.0
    if "above_lowest_mv" in given:
        named["above_lowest_v"] = given["above_lowest_mv"] / 1000.0
    return replace(base, **named)


def _meter(given: dict[str, Any], groups: int, seed: int) -> MeterModel:
    rng = np.random.default_rng([seed, 1])
    offset_v, noise_v = given.get("offset_mv", 1.0) / 1e3, given.get("noise_mv", 0.5) / 1e3
    gain = given.get("gain_ppm", 1000.0) / 1e6
    return MeterModel(
        offset_v=offset_v * rng.standard_normal(groups),
        gain=gain * float(rng.standard_normal()),
        noise_v=noise_v,
        comb_v=given.get("comb_mv", 0.0) / 1e3,
        position_v=given.get("position_mv", 0.0) / 1e3,
        shared_lead_ohm=given.get("shared_lead_mohm", 0.0) / 1e3,
        stated=Meter(noise_v=noise_v, channel_u_v=offset_v, gain_u=gain),
    )


def _plan(doc: Checked, soc: float) -> tuple[DutyCycle, float]:
    """The plan, and its greatest length in hours."""
    plan, hours, known_soc = DutyCycle(), 0.0, soc
    steps = doc.tables("step")
    if not steps:
        raise doc.error("step", 0, "", "a scenario needs at least one [[step]]")
    for k, step in enumerate(steps):
        kind = step.get("do")
        if kind not in tuple(_STEPS):  # a list in TOML has no hash
            raise doc.error("step", k, "do", f"do must be one of {', '.join(_STEPS)}, not {kind!r}")
        rules = _STEPS[kind] | {"do": _TEXT, "ambient_c": ValueRule(low=-40, high=80)}
        v = doc.values("step", k, step, rules)
        if _NEEDED[kind] not in v:
            raise doc.error("step", k, "", f"a {kind} needs {_NEEDED[kind]}")
        goal = v.get("until_soc")
        if goal is not None and (goal >= known_soc if kind == "ride" else goal <= known_soc):
            way = "below" if kind == "ride" else "above"
            raise doc.error("step", k, "until_soc", f"impossible: until_soc of this {kind} must be {way} {known_soc:g}")
        if kind == "ride" and known_soc <= 0.0:
            raise doc.error("step", k, "do", "impossible: a ride cannot begin with an empty pack")
        if goal is not None:
            known_soc = goal
        elif kind == "charge":
            known_soc = 1.01  # how far it got is not known here: only what cannot be is refused
        plan = _added(plan.at(v.get("ambient_c", 25.0)), kind, v)
        hours += plan.steps[-1].duration_s / 3600.0
    return plan, hours


def _added(plan: DutyCycle, kind: str, v: dict[str, Any]) -> DutyCycle:
    if kind == "ride":
        load = Load(peak_a=v.get("peak_a", 30.0))
        return plan.ride(minutes=v["minutes"], seed=int(v.get("seed", 0)), load=load, until_soc=v.get("until_soc"))
    if kind == "rest":
        return plan.rest(minutes=v["minutes"])
    if kind == "store":
        return plan.store(days=v["days"])
    return plan.charge(hours=v["hours"], until_soc=v.get("until_soc"), leave_hours=v.get("leave_hours"))


def _faults(doc: Checked, groups: int, hours: float) -> tuple[Fault, ...]:
    faults = []
    for k, table in enumerate(doc.tables("fault")):
        kind = table.get("kind")
        if kind not in tuple(KINDS):
            raise doc.unknown(("fault", k, "kind"), str(kind or ""), list(KINDS), "fault")
        rules = {key: _FAULT_VALUES[key] for key in KINDS[kind]}
        rules |= {"kind": _TEXT, "start_h": ValueRule(low=0), "end_h": ValueRule(low=0)}
        v = doc.values("fault", k, table, rules)
        for key in KINDS[kind]:
            if key not in v:
                raise doc.error("fault", k, "", f"a {kind} needs {key}")
        for key, most in (("group", groups), ("tap", groups), ("other_tap", groups)):
            if v.get(key, 0) > most:
                raise doc.error("fault", k, key, f"{key} {v[key]:g} is beyond the pack's {groups} groups")
        start_h, end_h = v.get("start_h", 0.0), v.get("end_h")
        if start_h > hours:
            raise doc.error("fault", k, "start_h", f"impossible: starts at {start_h:g} h, the plan ends at {hours:g} h")
        if end_h is not None and end_h <= start_h:
            raise doc.error("fault", k, "end_h", f"impossible: ends at {end_h:g} h, before it starts at {start_h:g} h")
        faults.append(Fault(kind, {key: v[key] for key in KINDS[kind]}, start_h, end_h))
    return tuple(faults)


def _profile(tables: dict[str, dict[str, Any]], pack: Pack, title: str) -> str:
    """The pack.toml that an owner would have written: what is on the label, nothing of the truth."""
    p = tables["pack"]
    quoted = str(p.get("name", title)).replace("\\", "\\\\").replace('"', '\\"')
    return (
        f'[pack]\nname = "{quoted}"\ngroups = {pack.groups}\nchemistry = "{p.get("chemistry", "nmc")}"\n'
        f"capacity_ah = {p.get('capacity_ah', 20.0):g}\n"
        f"[balancer]\nbleed_ma = {pack.balancer.bleed_a * 1000:g}\nthreshold_v = {pack.balancer.threshold_v:g}\n"
        f"[charger]\ncurrent_a = {pack.charger.current_a:g}\ndone_light_a = {pack.charger.done_light_a:g}\n"
    )
