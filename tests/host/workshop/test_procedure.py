"""The guided session: it asks for what can still decide something, with its caution, and stops when enough was seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.analysis.results import Coverage, Phase, PhaseKind, Ride
from evenstring.cli import cli
from evenstring.commands.bench.onlooker import Look, Onlooker
from evenstring.errors import InputError
from evenstring.io.load import load_session, profile_of
from evenstring.report.material import Material, gather_material
from evenstring.session import Correction, Said
from evenstring.workshop.acceptance.accept import accept
from evenstring.workshop.acceptance.limits import AcceptanceLimits, parse_limits
from evenstring.workshop.acceptance.quantities import QUANTITIES
from evenstring.workshop.lead_check import leads_read
from evenstring.workshop.procedure import STEPS, Guide, guide

from tests.host.looks import a_day, a_material

H = 3600.0


def limits(*of: str) -> AcceptanceLimits:
    rows = (f'[[limit]]\nof = "{name}"\nmost = 1e9\norigin = "agreed"\n' for name in of)
    return parse_limits("\n".join(rows), "x", a_material(a_day()).profile)


def after(*phases: tuple[PhaseKind, float], coverage: Coverage | None = None) -> Material:
    """A session of which only this is known: phases of so many hours each, rides at 8 A; nothing measured."""
    made, t = [], 0.0
    for kind, hours in phases:
        made.append(Phase(kind, t, t + hours * H))
        t += hours * H
    rides = tuple(Ride(p.start_s, p.end_s, "normal", None, None, 8.0 * (p.end_s - p.start_s) / H)
                  for p in made if p.kind == "ride")  # fmt: skip
    material = a_material(a_day())
    spread = replace(material.found.spread, claims=())
    coverage = coverage or Coverage(scans=9, groups=24)
    found = replace(material.found, phases=tuple(made), rides=rides, coverage=coverage, spread=spread, capacity=None)
    return replace(material, found=found)


def asked(material: Material, *of: str) -> Guide:
    return guide(material, accept(limits(*of), material))


@pytest.mark.parametrize(("phases", "step", "progress"), [
    ((), "rest", "0 of 30 min at rest"),
    ((("rest", 0.3),), "rest", "18 of 30 min at rest"),
    ((("rest", 0.6),), "discharge", "0.0 of 8.0 Ah taken out"),
    ((("rest", 0.6), ("ride", 0.5)), "discharge", "4.0 of 8.0 Ah taken out"),
    ((("rest", 0.6), ("ride", 1.0)), "rest_after", "0 of 30 min at rest"),
    ((("rest", 0.6), ("ride", 1.0), ("rest", 0.6)), None, "enough was seen"),
    ((("ride", 1.0), ("rest", 0.6)), "discharge", "0.0 of 8.0 Ah taken out"),
])  # fmt: skip
def test_a_capacity_takes_a_rest_a_discharge_and_a_rest(
    phases: tuple[tuple[PhaseKind, float], ...], step: str | None, progress: str
) -> None:
    now = asked(after(*phases), "capacity_ah")

    assert (now.step and now.step.key, now.progress) == (step, progress)


def test_a_lead_that_is_not_read_comes_before_anything_else() -> None:
    now = asked(after(coverage=Coverage(scans=9, groups=24, never_read=(3,), often_unread=(7,))), "capacity_ah")

    assert (now.step and now.step.key, now.progress) == ("leads", "not or not often read: group 3, 7")


def test_what_is_decided_is_asked_for_no_more() -> None:
    day = a_material(a_day())
    assert asked(day, "highest_v") == Guide(None, "enough was seen")
    assert asked(after(("rest", 0.1)), "spread_at_rest_mv").progress == "6 of 10 min at rest"
    assert asked(after(("rest", 0.2)), "spread_at_rest_mv").step is None


def test_a_warning_of_the_board_about_a_lead_comes_first_too_until_it_ends() -> None:
    material = after(("rest", 0.1))
    bad = Said(5.0, "bad_contact", 7, began=True, value_v=None)
    warned = replace(material, session=replace(material.session, said=(bad,)))
    mended = replace(material, session=replace(material.session, said=(bad, replace(bad, time_s=9.0, began=False))))

    now = asked(warned, "capacity_ah")
    assert (now.step and now.step.key) == "leads"
    assert "sense lead 7" in now.progress or "lead" in now.progress
    assert leads_read(warned) == ""
    assert (then := asked(mended, "capacity_ah").step) is not None
    assert then.key == "rest"
    assert leads_read(mended).startswith("lead check: all 24 groups are read")


def test_a_step_that_came_to_its_own_end_is_asked_for_no_more() -> None:
    short = after(("rest", 0.6), ("ride", 0.5))
    decided = accept(limits("capacity_ah"), short)

    now = guide(short, decided, frozenset({"discharge"}))
    assert (now.step and now.step.key) == "rest_after"


def test_no_current_is_asked_for_where_the_verdict_is_not_to_charge() -> None:
    day = after(("rest", 0.6))
    verdict = replace(day.found.verdict, action="do_not_charge")
    bad = replace(day, found=replace(day.found, verdict=verdict))

    assert (now := asked(after(("rest", 0.1)), "capacity_ah").step) is not None
    assert now.key == "rest"
    assert asked(day, "spread_end_of_charge_mv").step is not None
    ended = asked(bad, "spread_end_of_charge_mv")
    assert ended.step is None
    assert "not to charge" in ended.progress


def test_what_no_session_on_a_bench_can_tell_is_not_asked_for() -> None:
    assert asked(after(), "leak_percent_per_week", "insulation_mohm").step is None


def test_every_step_has_its_caution_and_only_known_quantities() -> None:
    for step in STEPS:
        assert len(step.caution) > 40
        assert step.serves <= set(QUANTITIES)
    charge = next(s for s in STEPS if s.key == "charge")
    assert "Never charge unattended" in charge.caution


@pytest.mark.slow
def test_a_session_that_grows_is_led_through_in_order_and_let_go(tmp_path: Path) -> None:
    """An invented pack: 40 min of rest, 40 of ride, an hour of rest, a charge; looked at ever later."""
    whole = tmp_path / "whole.frames"
    made = CliRunner().invoke(cli, ["simulate", "for_the_buyer", "-o", str(whole), "--direct"])
    assert made.exit_code == 0, made.output
    data, part = whole.read_bytes(), tmp_path / "part.frames"
    wanted = limits("capacity_ah", "spread_at_rest_mv", "spread_end_of_charge_mv")

    steps = []
    for share in (0.02, 0.4, 1.0):
        part.write_bytes(data[: int(share * len(data))])
        session = load_session([part])
        material = gather_material(session, profile_of(session))
        now = guide(material, accept(wanted, material))
        steps.append(now.step.key if now.step else None)

    assert steps == ["rest", "discharge", None]


def seen(material: Material, *of: str, notes: tuple[str, ...] = ()) -> Look:
    acceptance = accept(limits(*of), material)
    return Look(guide(material, acceptance), acceptance, notes)


def test_it_says_what_changed_once_with_the_caution_and_ends_when_enough_was_seen() -> None:
    said: list[str] = []
    onlooker = Onlooker(lambda: seen(after(), "capacity_ah"), said.append, 1.0)

    onlooker.say_changes(seen(after(), "capacity_ah"))
    onlooker.say_changes(seen(after(("rest", 0.3)), "capacity_ah"))
    assert [line for line in said if line.startswith("NEXT")] == ["NEXT: Leave the pack alone, charger and load off."]
    assert sum("CAUTION. Stay near" in line for line in said) == 1
    assert not onlooker.enough
    assert onlooker.step == "rest"
    for amps in (8.1, 8.2):
        onlooker.say_changes(seen(after(), "capacity_ah", notes=(f"discharge: {amps} A",)))
    assert [line for line in said if line.startswith("discharge")] == ["discharge: 8.1 A"]

    onlooker.say_changes(seen(a_material(a_day()), "highest_v"))
    assert onlooker.enough
    assert any(line.startswith("seen highest reading of any group") for line in said)


def test_a_monitor_whose_calibration_is_due_is_noted_once() -> None:
    held = Correction(0.0, "command", False, datetime(2024, 5, 1, tzinfo=UTC), (), ())
    due = replace(after(), session=replace(a_day(), corrections=(held,)))
    said: list[str] = []
    onlooker = Onlooker(lambda: seen(due, "capacity_ah"), said.append, 1.0)

    onlooker.say_changes(seen(due, "capacity_ah"))
    onlooker.say_changes(seen(due, "capacity_ah"))
    assert [line for line in said if "calibration" in line] == [
        "NOTE: The monitor's calibration is due since 2025-05-01: trust differences of groups more than volts."
    ]
    assert guide(after(), seen(after(), "capacity_ah").acceptance).note == ""


def test_looks_come_no_faster_than_asked_and_an_unreadable_recording_is_passed_over() -> None:
    looks: list[float] = []
    clock = [0.0]

    def look() -> Look:
        looks.append(clock[0])
        if len(looks) == 1:
            raise InputError("nothing whole yet")
        return seen(after(), "capacity_ah")

    onlooker = Onlooker(look, lambda _line: None, 30.0, lambda: clock[0])
    onlooker.tick()
    onlooker.close()  # the look is over: its future is done
    for now_s in (1.0, 20.0, 30.9):
        clock[0] = now_s
        onlooker.tick()

    assert looks == [0.0]
