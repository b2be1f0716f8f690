"""The page of evidence in a real browser: fits every width, accessible, on the first screen what to do next charge."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from evenstring.logbook.evidence.page import evidence_page

from tests.browser.chromium import CHROMIUM, DARK
from tests.browser.test_page_in_chromium import LAYOUT, ask
from tests.host.logbook.a_logbook import a_document

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed here; .ci/run installs it")


@pytest.fixture(scope="module")
def page() -> str:
    return evidence_page(a_document(40))


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_overflows_and_the_next_charge_is_on_the_first_screen(page: str, tmp_path: Path, width: int) -> None:
    where = "function next(){return document.querySelector('header.verdict p strong').getBoundingClientRect().bottom}"
    inner = page.replace("</body>", f"<script>{LAYOUT}{where}</script></body>")
    (tmp_path / "inner.html").write_text(inner, encoding="utf-8")
    style = f"width:{width}px;height:800px;border:0"
    outer = f"<!doctype html><body><iframe id=f src='inner.html' style='{style}'></iframe></body>"
    ask_it = "window.onload=function(){var w=document.getElementById('f').contentWindow;done([w.check(),w.next()])}"

    told, below = ask(tmp_path, outer, ask_it, "--window-size=1500,1000", "--allow-file-access-from-files")

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
