"""Recordings held against limits: what is measured is decided, what is not says how to, and scripts get their exit."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from evenstring.analysis.results import Capacity, Coverage, Extreme, SecondLook, SpreadClaim
from evenstring.cli import cli
from evenstring.report.material import Material
from evenstring.workshop.acceptance.accept import accept
from evenstring.workshop.acceptance.limits import parse_limits
from evenstring.workshop.acceptance.table import acceptance_json, result_parts, terminal_lines
from evenstring.workshop.job import Job

from tests.host.looks import a_day, a_material

SPREAD = """
[[limit]]
of = "spread_at_rest_mv"
most = {most}
origin = "agreed"
"""


def decided(of: str, bound: str, material: Material | None = None, job: Job | None = None) -> dict[str, object]:
    """The one criterion, as report.json has it."""
    material = material or measured_day()
    limits = parse_limits(f'[[limit]]\nof = "{of}"\n{bound}\norigin = "agreed"\n', "x", material.profile)
    made: dict[str, object] = acceptance_json(accept(limits, material, job))["criteria"][0]
    return made


def measured_day() -> Material:
    """A day on which everything was measured, with made-up intervals."""
    material = a_material(a_day())
    spread = replace(material.found.spread, claims=(SpreadClaim("rest", 5000.0, 31.5, 31.0, 29.0, 33.0, 20),))
    found = replace(
        material.found,
        spread=spread,
        capacity=Capacity(17.0, 16.2, 17.8, 0.7, 20.0),
        coverage=Coverage(scans=4000, groups=24, smallest=Extreme(17, -9.0, 1.0), most_resistive=Extreme(7, 31.0, 2.0)),
    )
    leaks = ((3, 0.1, 0.05, 0.15), (9, 2.0, 1.4, 2.6))
    return replace(material, found=found, second=SecondLook((), 20.0, (), leaks, (), None, ()))


@pytest.mark.parametrize(("of", "bound", "decision", "value", "u"), [
    ("spread_at_rest_mv", "most = 40", "pass", 31.0, 2.0 / 1.960),
    ("spread_at_rest_mv", "most = 32", "not_decidable", 31.0, 2.0 / 1.960),
    ("spread_at_rest_mv", "most = 25", "fail", 31.0, 2.0 / 1.960),
    ("capacity_ah", "least = 15", "pass", 17.0, 0.4),
    ("capacity_percent", "least = 84", "not_decidable", 85.0, 2.0),
    ("smallest_group_percent", "least = -5", "fail", -9.0, 1.0),
    ("resistance_above_median_percent", "most = 50", "pass", 31.0, 2.0),
    ("leak_percent_per_week", "most = 1", "fail", 2.0, 0.6 / 1.645),
])  # fmt: skip
def test_an_interval_is_decided_by_its_uncertainty(of: str, bound: str, decision: str, value: float, u: float) -> None:
    made = decided(of, bound)

    assert (made["decision"], made["value"]) == (decision, value)
    assert made["u_high"] == pytest.approx(u, rel=1e-4)


def test_the_extreme_readings_are_those_of_the_session() -> None:
    volts = a_day().volts_v

    assert decided("lowest_v", 'least_of_pack = "discard_v"')["value"] == pytest.approx(float(volts.min()), rel=1e-5)
    assert decided("highest_v", "most = 4.5")["value"] == pytest.approx(float(volts.max()), rel=1e-5)


def test_under_load_only_scans_at_the_stated_current_count() -> None:
    session = a_day()
    assert session.current_a is not None
    rows = (session.current_a <= -20) & (session.current_a >= -24)
    made = decided("lowest_under_load_v", "least = 2.8\nload_a = 20")

    assert made["value"] == pytest.approx(float(np.min(session.volts_v[rows])), rel=1e-5)
    missing = decided("lowest_under_load_v", "least = 2.8\nload_a = 90")
    assert missing["decision"] == "not_measured"
    assert "the most was 24.0 A" in str(missing["why"])


@pytest.mark.parametrize(("job", "decision", "says"), [
    (Job(insulation_mohm=220.0, insulation_u_mohm=11.0), "pass", ""),
    (Job(insulation_mohm=1.01, insulation_u_mohm=0.05), "not_decidable", ""),
    (Job(insulation_mohm=220.0), "not_measured", "without its uncertainty"),
    (None, "not_measured", "not noted"),
])  # fmt: skip
def test_a_hand_noted_value_is_decided_where_its_uncertainty_is_noted(
    job: Job | None, decision: str, says: str
) -> None:
    made = decided("insulation_mohm", "least = 1", job=job)

    assert made["decision"] == decision
    assert says in str(made["why"])


def test_the_end_of_a_charge_is_its_last_minute_in_long_recordings_too() -> None:
    """A day of 3 s scans, whose series are coarser than its scans; in its last minute group 17 is about 8 mV low."""
    material = measured_day()
    ended = replace(material.found.balancing, at_s=material.session.duration_s)
    made = decided(
        "spread_end_of_charge_mv", "most = 100", replace(material, found=replace(material.found, balancing=ended))
    )
    last = material.session.volts_v[-20:].mean(axis=0)

    assert made["value"] == pytest.approx(1e3 * float(last.max() - last.min()), abs=3.0)


def test_a_group_that_was_never_read_leaves_everything_open() -> None:
    material = measured_day()
    blind = replace(material.found.coverage, never_read=(5,))
    made = decided("highest_v", "most = 4.5", replace(material, found=replace(material.found, coverage=blind)))

    assert (made["decision"], made["why"]) == ("not_measured", "group 5 was never read")


def test_the_whole_passes_only_where_all_that_is_needed_passed() -> None:
    material = measured_day()
    text = SPREAD + '[[limit]]\nof = "insulation_mohm"\nleast = 1\norigin = "agreed"\nneeded = {needed}\n'

    results = {
        (most, needed): accept(
            parse_limits(text.format(most=most, needed=needed), "x", material.profile), material
        ).result
        for most in (40, 32, 25)
        for needed in ("true", "false")
    }

    assert results == {(40, "true"): "open", (40, "false"): "pass", (32, "true"): "open", (32, "false"): "open",
                       (25, "true"): "fail", (25, "false"): "fail"}  # fmt: skip


def test_a_prior_gives_the_risks_of_the_rule_and_moves_the_chance_not_the_decision() -> None:
    plain_one = decided("spread_at_rest_mv", "most = 40")
    knowing = decided("spread_at_rest_mv", "most = 40\nprior_mean = 60\nprior_u = 5")

    assert knowing["decision"] == plain_one["decision"] == "pass"
    assert float(str(knowing["risk"])) > float(str(plain_one["risk"]))
    assert set(dict(knowing["global_risks"])) == {"consumer", "producer"}  # type: ignore[call-overload]  # a mapping
    assert plain_one["global_risks"] is None


def test_the_terminal_says_the_result_and_a_line_for_each() -> None:
    material = measured_day()
    limits = parse_limits(
        '[[limit]]\nof = "spread_at_rest_mv"\nmost = 25\norigin = "agreed"\n', "bench.toml", material.profile
    )

    head, line = terminal_lines(acceptance_json(accept(limits, material)))

    assert head == "Fails “bench”: 1 fail; chance that any of its decisions is wrong: at most under 0.1 %."
    assert line.startswith("  - spread at rest, at most 25 mV: 31.0 mV ± 1 mV, at 1 h 23 min, median group at ")


@pytest.mark.parametrize(("most", "code", "result"), [(1, 3, "fail"), (5000, 0, "pass")])
def test_the_exit_code_tells_a_script(tmp_path: Path, most: float, code: int, result: str) -> None:
    made = run(tmp_path, SPREAD.format(most=most))
    report = json.loads((tmp_path / "out" / "report.json").read_text())

    assert report["acceptance"]["result"] == result
    assert made.exit_code == code, made.output
    page = (tmp_path / "out" / "report.html").read_text()
    assert page.index("“limits”: 1 ") < page.index('id="levels"')
    assert page.index("Acceptance: limits") < page.index('id="spread"')


def run(tmp_path: Path, limits: str) -> Result:
    """A rest of an even string, whose verdict asks for nothing, against limits; with an exit by verdict."""
    frames, file = tmp_path / "rest.csv", tmp_path / "limits.toml"
    rows = (f"{10 * k},{3.90},{3.91},{3.905},{3.902},0.0\n" for k in range(600))
    frames.write_text("t_s,g1,g2,g3,g4,current_a\n" + "".join(rows))
    file.write_text(limits)
    arguments = ["report", str(frames), "--groups", "4", "--chemistry", "nmc", "-o", str(tmp_path / "out"),
                 "--accept", str(file), "--exit-verdict"]  # fmt: skip
    return CliRunner().invoke(cli, arguments)


def test_a_pass_with_something_unmeasured_says_that_it_goes_only_so_far() -> None:
    made: dict[str, Any] = {"name": "in service", "result": "pass", "risk": 0.01, "criteria": [{"decision": "pass"}]}
    assert result_parts(made)[0] == "Passes “in service”"

    made["criteria"] = [{"decision": "pass"}, {"decision": "not_measured"}]
    assert result_parts(made)[0] == "As far as it was measured, passes “in service”"
