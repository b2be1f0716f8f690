"""Who may switch, and when: after the full word yes to this step, one instrument at a time, never after a fault."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any, cast

import pytest
from evenstring.commands.bench.switching import Answers, Hand, Switching
from evenstring.profile import parse_profile
from evenstring.workshop.instrument.dialect import dialect_named
from evenstring.workshop.instrument.interlock import Reading, Stop
from evenstring.workshop.instrument.keeper import NOT_OFF, Keeper, Kept
from evenstring.workshop.instrument.order import Order, charge_order, discharge_order

PACK = parse_profile('[pack]\ngroups = 4\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
LOAD, SUPPLY = dialect_named("load", "load"), dialect_named("supply", "supply")


@dataclass
class Fake:
    """A keeper that does at once what it is told, and stops when the test says so."""

    order: Order
    kept: Kept = field(default_factory=Kept)
    asked: list[bool] = field(default_factory=list)
    said: deque[str] = field(default_factory=deque)
    blind_to: tuple[str, ...] = ()

    def switch(self, on: bool) -> None:
        self.asked.append(on)
        self.kept = Kept(on=on)

    def stop(self, why: str, fault: bool) -> None:
        self.kept = Kept(stopped=Stop(why, fault))

    def lines(self) -> list[str]:
        return [self.said.popleft() for _ in range(len(self.said))]

    def take(self, _batch: object) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


class Typed(Answers):
    """Answers that a test types."""

    def __init__(self, *lines: str) -> None:
        super().__init__(lambda: "")
        self.lines, self.questions = deque(lines), 0

    def ask(self) -> None:
        self.questions += 1

    def answer(self) -> str | None:
        return self.lines.popleft() if self.lines else None


class Setting:
    def __init__(self, answers: Answers | None) -> None:
        self.load, self.supply = Fake(discharge_order(PACK, LOAD, 8.0)), Fake(charge_order(PACK, SUPPLY, 5.0))
        self.said: list[str] = []
        hands = (
            Hand("discharge", LOAD, cast("Keeper", self.load)),
            Hand("charge", SUPPLY, cast("Keeper", self.supply)),
        )
        self.switching = Switching(hands, self.said.append, answers)

    def ticks(self, step: str, times: int = 3) -> bool:
        return sum(self.switching.tick(step) for _ in range(times)) > 0


@pytest.mark.parametrize(("typed", "on"), [
    ("yes", True), ("YES", True), ("y", False), ("no", False), ("", False), ("yes please", False),
])  # fmt: skip
def test_only_the_full_word_switches_on(typed: str, on: bool) -> None:
    made = Setting(Typed(typed))
    made.ticks("discharge")
    assert made.load.kept.on is on
    assert any("Type yes" in line for line in made.said)
    assert ("      not switched on; you switch" in made.said) is not on


def test_limits_are_said_before_the_question_and_nothing_happens_while_nobody_answers() -> None:
    made = Setting(Typed())
    made.load.blind_to = ("The monitor measures no temperature",)
    made.ticks("discharge")
    assert made.load.asked == []
    assert "      The monitor measures no temperature" in made.said
    assert [line for line in made.said if "at most 8.00 A" in line]
    assert made.said[-1].startswith("      Switch it on?")


def test_a_yes_counts_for_one_step_once() -> None:
    answers = Typed("yes")
    made = Setting(answers)
    made.ticks("discharge")
    made.ticks("rest_after")
    assert not made.load.kept.on
    made.ticks("discharge")
    made.ticks("charge")
    assert not made.load.kept.on
    assert not made.supply.kept.on
    assert answers.questions == 3


def test_nothing_is_asked_for_a_step_without_an_instrument() -> None:
    made = Setting(Typed("yes"))
    made.ticks("rest")
    made.ticks("")
    assert made.said == []


def test_said_beforehand_it_goes_without_a_question_and_off_with_the_step() -> None:
    made = Setting(None)
    made.ticks("discharge")
    assert made.load.kept.on
    assert not any("Type" in line for line in made.said)
    made.ticks("rest_after")
    assert not made.load.kept.on


def test_what_flows_is_said_once_a_minute() -> None:
    made = Setting(None)
    made.switching.clock_s = lambda: now_s
    now_s = 100.0
    made.ticks("discharge")
    made.load.kept = Kept(on=True, reading=Reading(14.2, -8.0))
    made.ticks("discharge")
    now_s = 130.0
    made.ticks("discharge")
    assert made.said.count("      electronic load: 8.00 A at 14.20 V") == 1
    now_s = 160.0
    made.ticks("discharge")
    assert made.said.count("      electronic load: 8.00 A at 14.20 V") == 2


def test_the_other_one_is_not_switched_on_before_the_first_is_off() -> None:
    made = Setting(None)
    made.ticks("discharge")
    made.load.switch = lambda on: made.said.append(f"asked for {on}")  # type: ignore[method-assign]  # it hangs
    made.ticks("charge")
    assert made.supply.asked == []
    made.load.kept = Kept()
    made.ticks("charge")
    assert made.supply.kept.on


def test_a_step_that_came_to_its_end_is_over_and_is_told_once() -> None:
    made = Setting(None)
    made.ticks("discharge")
    made.load.stop("group 4 is at its floor", fault=False)
    assert made.ticks("discharge", 1)
    assert not made.ticks("discharge")
    assert made.switching.over == {"discharge"}
    assert made.load.asked == [True]
    assert made.switching.fault == ""


def test_what_was_refused_before_it_was_on_may_be_mended_and_is_asked_again_and_ends_a_script() -> None:
    made = Setting(Typed("yes", "yes"))
    made.ticks("discharge", 1)
    made.load.kept = Kept(stopped=Stop("8 A flow already", fault=True), refused=True)
    made.ticks("discharge")
    assert made.load.asked == [True, True]
    assert made.switching.fault == ""

    script = Setting(None)
    script.ticks("discharge", 1)
    script.load.kept = Kept(stopped=Stop("8 A flow already", fault=True), refused=True)
    script.ticks("discharge")
    assert script.load.asked == [True]
    assert "flow already" in script.switching.fault


def test_after_a_fault_nothing_is_switched_on_any_more() -> None:
    made = Setting(None)
    made.ticks("discharge")
    made.load.stop("46.0 °C", fault=True)
    made.ticks("discharge")
    made.ticks("charge")
    assert made.switching.fault == "electronic load off: 46.0 °C"
    assert (made.load.asked, made.supply.asked) == ([True], [])


def test_nothing_is_switched_on_beside_what_may_still_be_on() -> None:
    made = Setting(None)
    made.ticks("discharge")
    made.ticks("rest_after", 1)
    made.load.said.append(NOT_OFF)
    made.ticks("charge")
    assert made.supply.asked == []
    assert made.switching.fault == NOT_OFF
    assert f"!!!   {NOT_OFF}" in made.said


def test_what_was_typed_before_the_question_is_no_answer_to_it() -> None:
    lines: Any = iter(["yes\n", "no\n", ""])
    answers = Answers(lambda: next(lines))
    answers.ask()
    assert answers._thread is not None
    answers._thread.join(5.0)
    answers.ask()
    assert answers.answer() == ""  # and nobody is there any more
