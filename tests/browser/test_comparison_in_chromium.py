"""The page before and after a repair in a real browser: fits every width, accessible in light and dark."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from evenstring.workshop.comparison.answer import answer
from evenstring.workshop.comparison.compare import Change, Compared, Row
from evenstring.workshop.comparison.page import comparison_page
from evenstring.workshop.comparison.quantities import Quantity

from tests.browser.chromium import CHROMIUM, DARK
from tests.browser.test_page_in_chromium import LAYOUT, ask, at_widths

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed here; .ci/run installs it")


def a_page(groups: int, other_pack: tuple[str, ...] = ()) -> str:
    """Some groups mended, one worse; invented."""
    rng = np.random.default_rng(groups)
    before, after = rng.normal(0, 1, groups), rng.normal(0, 1, groups)
    before[[2, 5, 6]] -= 30.0
    after[8] -= 300.0
    kinds: tuple[tuple[Quantity, float], ...] = (("level", 2.0), ("capacity", 3.0), ("resistance", 4.0))
    rows = tuple(
        Row(g + 1, tuple(Change(q, b, a, half, half, a - b - half, a - b, a - b + half) for q, half in kinds))
        for g, (b, a) in enumerate(zip(before.tolist(), after.tolist(), strict=True))
    )
    found = Compared(rows, 5.0, other_pack, (33.0, 301.0), ("inspect", "ride"), ("ended_uneven", "full"),
                     ("two meters: their own errors are in the intervals",))  # fmt: skip
    return comparison_page(found, answer(found), "trike of the market", "before.frames, then after.frames")


@pytest.mark.parametrize("groups", [16, 36])
def test_nothing_overflows_or_overlaps(tmp_path: Path, groups: int) -> None:
    for told in at_widths(tmp_path, a_page(groups), LAYOUT, "check()", [(390, 900), (1280, 900)]):
        assert told["wide"] <= 0
        assert told["over"] == []


@pytest.mark.parametrize("look", ["light", "dark"])
def test_axe_finds_nothing_loud_or_not(tmp_path: Path, look: str) -> None:
    # axe-core, the accessibility engine (WCAG 2 A and AA rules and best practice), as carried by PyPI axe-core-python.
    axe = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8").replace("</script", "<\\/script")
    run = axe + (
        "\naxe.run(document).then(function(r){done({passes: r.passes.length, violations:"
        " r.violations.map(function(v){return [v.id, v.impact, v.nodes[0].html.slice(0, 200)]})})})"
    )
    page = a_page(20, ("name trike before, barrow after",) if look == "dark" else ())
    told = ask(tmp_path, page, run, *([DARK] if look == "dark" else []))
    assert told["passes"] > 15
    assert told["violations"] == []
