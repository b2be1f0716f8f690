"""Statements that may not stand together on one page: over all scenarios, hidden seeds and the committed recordings.

Each rule below is a pair: what the one says, and what no other part of the first screen may then say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evenstring.io.load import load_session, profile_of
from evenstring.report.material import Material, gather_material
from evenstring.report.next_steps import next_step, record_next
from evenstring.report.reasons import headline, sentence, sure_line
from evenstring.report.sections.first import headline_figures, is_visit
from evenstring.sim.scenario import scenario_names

from tests.worlds.fault_sessions import CAUSES, make_case
from tests.worlds.scenario_material import LONG, scenario_material
from tests.worlds.sessions import KINDS
from tests.worlds.sessions import make_case as make_charge

RECORDINGS = sorted((Path(__file__).parents[2] / "data" / "recordings").glob("*.frames"))


class Screen:
    """The first screen as text, and the facts behind it."""

    def __init__(self, material: Material) -> None:
        self.found = material.found
        self.action = material.found.verdict.action
        self.kinds = {r.kind for r in material.found.verdict.reasons}
        self.reasons = " ".join(sentence(r) for r in material.found.verdict.reasons)
        self.now = next_step(material)
        self.after = record_next(material)
        self.figures = {label: (value, note) for label, value, note in headline_figures(material)}
        self.words = f"{headline(material.found.verdict)} {sure_line(material.found.verdict)} {self.reasons} {self.now}"

    @property
    def time_to_balanced(self) -> str:
        return self.figures["time to balanced"][0]

    @property
    def spread_mv(self) -> float:
        """The spread among the five figures, whatever it is of; NaN where it is not known."""
        shown = next(v[0] for k, v in self.figures.items() if k.startswith("spread"))
        return float(shown.split()[0]) if "mV" in shown else np.nan

    @property
    def visits(self) -> int:
        return int(self.figures["visits beyond a limit"][0])


# A name, what the one part says, what no other part may then say.
PAIRS: tuple[tuple[str, Callable[[Screen], bool], Callable[[Screen], bool]], ...] = (
    ("no group where it must not be, and a visit that counts",
     lambda s: "none was seen where it must not be" in s.words, lambda s: s.visits > 0 and not near_only(s)),
    ("no visit counted, and a visit among the reasons",
     lambda s: s.visits == 0, lambda s: bool(s.kinds & {"visit", "visit_near_limit"})),
    ("balanced reached, and a figure of spread far over the target",
     lambda s: s.time_to_balanced == "reached", lambda s: s.spread_mv > 3 * s.found.balancing.target_mv
     and s.found.balancing.target_percent is None),
    ("balanced reached, and charging on because the groups are not even",
     lambda s: s.time_to_balanced in ("reached", "about reached"), lambda s: "converging" in s.kinds),
    ("never balanced as it is, and more hours on the charger promised to do it",
     lambda s: s.time_to_balanced == "never, as it is", lambda s: "Leave the charger connected for about" in s.now),
    ("never balanced as it is, and getting even",
     lambda s: s.time_to_balanced == "never, as it is", lambda s: "getting even" in s.reasons),
    ("grave, and a word that all is well",
     lambda s: s.action in ("do_not_charge", "inspect"),
     lambda s: bool(s.kinds & {"nothing_found", "full_and_even", "near_target"})),
    ("grave, and a step that means charging or riding",
     lambda s: s.action in ("do_not_charge", "inspect"),
     lambda s: any(w in s.now for w in ("Use it as usual", "Charge it to the end", "plug in again", "Leave the charger",
                                        "On the next ride"))),
    ("grave, and a recording asked for that means charging or riding",
     lambda s: s.action in ("do_not_charge", "inspect"), lambda s: bool(s.after)),
    ("fine to ride, and a weak group",
     lambda s: s.action == "ride",
     lambda s: bool(s.kinds & {"low_capacity", "high_resistance", "cut_under_load", "stands_out", "uneven_for_good"})),
    ("fine to ride, and a group that was not read",
     lambda s: s.action == "ride",
     lambda s: bool(s.found.coverage.never_read or s.found.coverage.often_unread or not s.found.coverage.scans)),
    ("fine to ride, and no ride was seen", lambda s: s.action == "ride", lambda s: not s.found.coverage.ride_s),
    ("fine to ride, and a lead that was open",
     lambda s: s.action == "ride", lambda s: any(e.kind == "lead_open" for e in s.found.events)),
    ("too little to say, and sure of it all", lambda s: s.action == "too_little_data", lambda s: "certain" in s.words),
    ("too little to say, and nothing said to be missing",
     lambda s: s.action == "too_little_data",
     lambda s: not s.kinds & {"no_scan", "never_read", "often_unread", "no_ride", "no_charge", "cells_unknown",
                              "stands_out", "visit_near_limit"}),
    ("keep charging, and no word on who stays near",
     lambda s: s.action == "keep_charging", lambda s: "near" not in s.now or "never alone" not in s.now),
    ("keep charging, and left alone for more than a sitting",
     lambda s: s.action == "keep_charging" and (s.found.verdict.keep_charging_s or 0) > 10 * 3600,
     lambda s: "by turns" not in s.now),
    ("any verdict, and nothing to do now", lambda s: bool(s.action), lambda s: not s.now),
    ("any verdict, and a number with an exponent or a lone plural",
     lambda s: bool(s.action), lambda s: "e+0" in s.words or " 1 more visits" in s.words or "nan" in s.words.split()),
)  # fmt: skip


def near_only(screen: Screen) -> bool:
    """Whether no visit that counts is one that anything is made of: short, or within the meter's uncertainty."""
    return not {"visit"} & screen.kinds and all(
        e.certainty != "yes" or e.duration_s <= 10.0 for e in screen.found.events if is_visit(e)
    )


def contradictions(screen: Screen) -> list[str]:
    return [name for name, one, other in PAIRS if one(screen) and other(screen)]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.soak if n in LONG else ()) for n in scenario_names()]
)
def test_no_scenario_contradicts_itself_on_the_first_screen(name: str) -> None:
    screen = Screen(scenario_material(name))

    assert contradictions(screen) == [], screen.words


@pytest.mark.slow
@pytest.mark.usefixtures("no_forecast")
@pytest.mark.parametrize("name", LONG)
def test_no_long_scenario_contradicts_itself_with_its_forecast_left_open(name: str) -> None:
    screen = Screen(scenario_material.__wrapped__(name))

    assert contradictions(screen) == [], screen.words


@pytest.mark.parametrize("file", RECORDINGS, ids=lambda p: p.stem)
def test_no_committed_recording_contradicts_itself(file: Path) -> None:
    session = load_session([file])
    screen = Screen(gather_material(session, profile_of(session)))

    assert contradictions(screen) == [], screen.words


def hidden() -> Iterator[tuple[str, int, str, str]]:
    for k, cause in enumerate((*CAUSES, "healthy")):
        for j, kind in enumerate(("ride and charge", "ride", "charge", "single rest")):
            yield f"{cause}, {kind}", 870_000 + 10 * k + j, kind, cause
    for k, kind in enumerate(dict.fromkeys(KINDS)):
        yield kind, 870_100 + k, kind, ""


def every(nth: int) -> list[Any]:
    """The hidden sessions as parameters; every n-th runs always, all kinds among them, the others in `make soak`."""
    return [pytest.param(*h[1:], marks=pytest.mark.soak if k % nth else (), id=h[0]) for k, h in enumerate(hidden())]


def hidden_screen(number: int, kind: str, cause: str) -> Screen:
    case = make_case(number, kind, cause) if cause else make_charge(number, kind, with_truth=False)
    return Screen(gather_material(case.session, case.profile))


@pytest.mark.slow
@pytest.mark.parametrize(("number", "kind", "cause"), every(7))
def test_no_hidden_session_contradicts_itself(number: int, kind: str, cause: str) -> None:
    screen = hidden_screen(number, kind, cause)

    assert contradictions(screen) == [], screen.words


@pytest.mark.slow
@pytest.mark.usefixtures("no_forecast")
@pytest.mark.parametrize(("number", "kind", "cause"), every(3))
def test_no_hidden_session_contradicts_itself_with_its_forecast_left_open(number: int, kind: str, cause: str) -> None:
    screen = hidden_screen(number, kind, cause)

    assert contradictions(screen) == [], screen.words


@pytest.mark.slow
@pytest.mark.parametrize("name", ["charger_off_at_light"])
def test_a_charger_that_leaves_with_its_light_is_said_so_and_never_promised_hours(name: str) -> None:
    screen = Screen(scenario_material(name))

    assert screen.time_to_balanced == "never, as it is"
    assert "leaves with its light" in screen.reasons
    assert "keeps its voltage after the light" in screen.now
