"""Walking through a procedure: answers are kept as they come, so that it can be left and taken up again."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from evenstring.errors import InputError
from evenstring.hardware.procedures import Step

__all__ = ["HEAD", "answer_row", "next_step", "parse_answer", "parse_answers", "refused"]

HEAD = "step,answer\n"
_YES = {"y": 1.0, "yes": 1.0, "n": 0.0, "no": 0.0}


def parse_answer(step: Step, text: str) -> float | None:
    """A reading, or 1 for yes and 0 for no; None when the text is neither."""
    word = text.strip().lower()
    if not step.asks_number:
        return _YES.get(word)
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def answer_row(step: Step, text: str) -> str:
    """The line that keeps an answer."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow((step.key, text.strip()))
    return out.getvalue()


def parse_answers(text: str, steps: Sequence[Step], where: str) -> dict[str, float]:
    """Answers by step, from a table with the columns `step` and `answer`; the last of a step counts.

    Raises:
        InputError: a step that this procedure has not, or an answer that is none.
    """
    known = {step.key: step for step in steps}
    answers: dict[str, float] = {}
    for number, row in enumerate(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))), start=2):
        step = known.get(row.get("step") or "")
        if step is None:
            raise InputError(
                f"{where}: row {number}: {row.get('step')!r} is no step of this procedure; give another file"
            )
        value = parse_answer(step, row.get("answer") or "")
        if value is None:
            raise InputError(f"{where}: row {number}: {step.key} takes {step.limits()}, not {row.get('answer')!r}")
        answers[step.key] = value
    return answers


def refused(steps: Sequence[Step], answers: dict[str, float]) -> Step | None:
    """The first step whose answer does not pass; what comes after it is not done."""
    return next((s for s in steps if s.key in answers and not s.passes(answers[s.key])), None)


def next_step(steps: Sequence[Step], answers: dict[str, float]) -> Step | None:
    """The first step without an answer; None when all are answered."""
    return next((s for s in steps if s.key not in answers), None)
