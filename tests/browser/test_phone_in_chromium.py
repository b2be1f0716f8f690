"""A phone's first screen, 390 by 844: what is wrong, what to do, and the five figures, without scrolling."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from evenstring.analysis.results import Balancing, Charge, Reason, Verdict
from evenstring.report.page import render
from evenstring.workshop.batch.page import overview_page
from evenstring.workshop.batch.row import Row

from tests.browser.chromium import CHROMIUM
from tests.browser.test_page_in_chromium import at_widths
from tests.host.looks import a_day, a_material

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed here; .ci/run installs it")
_BOTTOM = """
function check(){
  var of = function(s){ return Array.from(document.querySelectorAll(s)).map(function(e){
    var r = e.getBoundingClientRect(); return [r.bottom, r.right] }) };
  return {title: of('h1'), now: of('.verdict .now'), figures: of('.verdict .figures div'), cells: of('td')};
}
"""


def on_a_phone(folder: Path, page: str) -> dict[str, list[list[float]]]:
    """Bottom and right edges, px."""
    (told,) = at_widths(folder, page, _BOTTOM, "check()", [(390, 844)])
    return told  # type: ignore[no-any-return]  # what the script above gives


def converging() -> dict[str, Any]:
    """Longer than one sitting: the longest of the usual next steps."""
    b = Balancing("converging", 4.0, None, 46_000.0, 36_000.0, 60_000.0, "time")
    reason = Reason("converging", "keep_charging", b, "balancing.remaining_s", "balancing", 0.9, "charge_on")
    verdict = Verdict("keep_charging", (reason,), 46_000.0, 0.9, (reason,))
    return {"balancing": b, "verdict": verdict, "charge": Charge("full")}


def test_headline_next_step_and_figures_of_the_report_are_seen_without_scrolling(tmp_path: Path) -> None:
    told = on_a_phone(tmp_path, render(a_material(a_day(n=2500), **converging()), "day.frames"))

    assert len(told["figures"]) == 5
    assert all(0 < bottom <= 844 for key in ("title", "now", "figures") for bottom, _ in told[key])


def test_nothing_of_a_batch_is_beyond_the_phones_edge(tmp_path: Path) -> None:
    row = Row("c.frames", "inspect", "Have it inspected", reason="a " * 60, next_step="b " * 60, report="c.frames")
    told = on_a_phone(tmp_path, overview_page([row], "monday", []))

    assert told["cells"]
    assert all(right <= 390 for _, right in told["cells"])
