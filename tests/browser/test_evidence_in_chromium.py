"""The page of evidence in a real browser: fits every width, accessible, on the first screen what to do next charge."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from evenstring.logbook.evidence.page import evidence_page

from tests.browser.chromium import CHROMIUM, DARK
from tests.browser.test_page_in_chromium import LAYOUT, ask, at_widths
from tests.host.logbook.a_logbook import a_document

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed here; .ci/run installs it")


@pytest.fixture(scope="module")
def page() -> str:
    return evidence_page(a_document(40))


def test_nothing_overflows_and_the_next_charge_is_on_the_first_screen(page: str, tmp_path: Path) -> None:
    where = "document.querySelector('header.verdict p strong').getBoundingClientRect().bottom"
    both = f"{LAYOUT}function both(){{return [check(), {where}]}}"

    for told, below in at_widths(tmp_path, page, both, "both()", [(390, 800), (1280, 800)]):
        assert told["wide"] <= 0
        assert told["over"] == []
        assert 0 < below < 500  # of a phone's 800


@pytest.mark.parametrize("look", ["light", "dark"])
def test_axe_finds_nothing(page: str, tmp_path: Path, look: str) -> None:
    # axe-core (WCAG 2 A and AA rules and best practice), as carried by PyPI axe-core-python.
    axe = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8").replace("</script", "<\\/script")
    run = axe + (
        "\naxe.run(document).then(function(r){done({passes: r.passes.length, violations:"
        " r.violations.map(function(v){return [v.id, v.impact, v.nodes[0].html.slice(0, 200)]})})})"
    )

    told = ask(tmp_path, page, run, *([DARK] if look == "dark" else []))

    assert told["passes"] > 20
    assert told["violations"] == []
