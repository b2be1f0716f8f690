"""The page: whole, self-contained, honest about what is missing, and not to be fooled by text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from evenstring.analysis.results import (
    Balancing,
    Charge,
    Foretold,
    Hazard,
    Reason,
    Spread,
    SpreadClaim,
    Unknown,
    Verdict,
)
from evenstring.report.material import Material, gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.report.sections import balancing, causes, charge, limits, reserve, ride, spread
from evenstring.report.words import CAUTIONS
from evenstring.session import Gap, Health, Said, Session

from tests.host.looks import NASTY, a_day, a_material, a_profile, weak

VOID = {"meta", "rect", "path", "br", "input", "img", "link"}


class Checked(HTMLParser):
    """Tags must close in order; collects what an outside reference would be."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self.outside: list[str] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name in ("src", "href") and not (value or "").startswith("#"):
                self.outside.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002  # signature of HTMLParser
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)


def parsed(page: str) -> Checked:
    reader = Checked()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def day() -> Session:
    return a_day()


def test_page_stands_alone_and_every_tag_closes(day: Session) -> None:
    page = render(a_material(day), "day.frames")
    reader = parsed(page)
    assert reader.outside == []
    assert reader.tags.count("script") == 1
    assert "@import" not in page
    assert "url(" not in page


def test_all_findings_have_their_picture(day: Session) -> None:
    page = render(a_material(day))
    keys = set(re.findall(r'id="picture-([a-z_0-9-]+)"', page))
    causes = {"cause-7-high_resistance", "cause-17-charge_offset"}
    assert keys == {"levels", "spread", "events", "balancing", "reserve"} | causes


def test_every_picture_says_in_words_what_it_shows(day: Session) -> None:
    page = render(a_material(day))
    alts = re.findall(r'role="img" aria-label="([^"]+)"', page)
    assert len(alts) == page.count("<figure") == 7
    assert all(len(alt) > 30 for alt in alts)
    assert "group 7 goes" in alts[0]


def test_cautions_runtime_and_assumed_values_are_on_the_page(day: Session) -> None:
    words = " ".join(" ".join(parsed(render(a_material(day))).words).split())
    for caution in CAUTIONS:
        assert caution in words
    assert "runs on trike" in words
    assert "2.50 V assumed" in words
    assert "20 Ah assumed" not in words
    assert not re.search(r"\bsafe\b", words)


def told(material: Material) -> str:
    return " ".join(" ".join(parsed(render(material)).words).split())


def test_spread_under_load_and_a_target_in_charge_are_told(day: Session) -> None:
    found = a_material(day).found
    claim = SpreadClaim("load", 700.0, 43.0, 41.2, 36.0, 46.5, 30)
    spread = replace(found.spread, claims=(claim,))

    words = told(a_material(day, spread=spread, balancing=replace(found.balancing, target_percent=1.0)))

    assert "under the heaviest load" in words
    assert "36.0 to 46.5 mV (95 %)" in words
    assert "1 % of charge" in words


@pytest.mark.parametrize(("size", "word"), [(3.7, "more charge"), (-3.7, "less charge")])
def test_a_gap_in_charge_is_told_the_right_way_round(day: Session, size: float, word: str) -> None:
    words = told(a_material(day, weakness=(weak(3, "charge_offset", size, 0.95),)))

    assert f"Group 3 holds {word} than its neighbours" in words


def test_what_is_not_there_shows_as_not_known(day: Session) -> None:
    nothing = Spread(*(None,) * 7, 0, 0, (None,) * day.groups)
    empty = {"phases": (), "spread": nothing, "events": (), "charge": Charge("none"), "weakness": (), "reserve": None}
    why = Unknown("reserve", "there is no ride in this recording", "a ride")

    words = told(a_material(day, **empty, balancing=Balancing("not_reached"), unknown=(why,)))

    assert "not known" in words
    assert "Not known: there is no ride in this recording. To know it: a ride." in words


def test_every_figure_on_the_page_is_in_the_numbers(day: Session) -> None:
    """Each number that a section prints is one of report.json, rounded as it is printed."""
    material = a_material(day)
    numbers = list(_numbers(report_json(material)))
    sections = (spread, charge, balancing, limits, ride, causes, reserve)
    printed = [v for s in sections for _, v, note in s.section(material).pairs for v in (v, note)]
    missing = [
        text
        for line in printed
        for text in re.findall(r"\d+\.\d+", line)
        if not any(_rounds_to(n, text) for n in numbers)
    ]

    assert len(printed) > 20
    assert missing == []


def _numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for v in value.values():
            yield from _numbers(v)
    elif isinstance(value, list):
        for v in value:
            yield from _numbers(v)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def _rounds_to(number: float, text: str) -> bool:
    """As it stands, in per cent, or an end of the 95 % interval's half width."""
    digits = len(text.split(".")[1])
    return any(f"{abs(number) * scale:.{digits}f}" == text for scale in (1.0, 100.0))


def test_text_of_devices_and_users_stays_text() -> None:
    day = a_day(text=NASTY)
    reason = Reason("profile_misfit", "inspect", NASTY, "profile_check", "profile")
    nasty = {"verdict": Verdict("inspect", (reason,)), "unknown": (Unknown("capacity", "no two rests", NASTY),)}
    page = render(a_material(day, replace(a_profile(), name=NASTY), **nasty), NASTY)
    reader = parsed(page)
    assert reader.tags.count("script") == 1
    assert "img" not in reader.tags
    assert reader.handlers == []
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert "characters in all]" in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert len(page) < 1_000_000


def test_extremes_of_every_group_are_in_the_drawn_paths() -> None:
    day = a_day(n=20_000)
    volts = day.volts_v.copy()
    rng = np.random.default_rng(3)
    for g in range(24):
        volts[rng.integers(100, 19_900), g] += np.float32(0.2 + 0.01 * g)
    page = render(a_material(replace(day, volts_v=volts)))
    figure = page[page.index('id="picture-levels"') :]
    low, high, bend = (float(re.search(rf'data-{k}="([^"]+)"', figure).group(1)) for k in ("y0", "y1", "bend"))  # type: ignore[union-attr]  # is there
    for g in range(24):
        path = re.search(rf'data-name="group {g + 1}" d="([^"]+)"', figure).group(1)  # type: ignore[union-attr]  # is there
        top = min(_heights(path))
        seen = bend * np.sinh(
            np.arcsinh(low / bend) + (1 - top / 4000) * (np.arcsinh(high / bend) - np.arcsinh(low / bend))
        )
        true = float(np.max(volts[:, g] - np.median(volts, axis=1))) * 1000
        assert seen == pytest.approx(true, rel=0.01)


def _heights(path: str) -> list[int]:
    out = []
    for run in path.split("M")[1:]:
        numbers = [int(v) for v in re.findall(r"-?\d+", run.split("h", maxsplit=1)[0])]
        out += np.cumsum(numbers[1::2]).tolist()
    return out


def test_one_scan_no_scan_and_no_reading_make_a_page() -> None:
    day = a_day(n=50)
    one = replace(day, time_s=day.time_s[:1], volts_v=day.volts_v[:1], quality=day.quality[:1], current_a=None)
    none = replace(day, volts_v=np.full_like(day.volts_v, np.nan))
    for session in (one, none):
        assert "Too few readings" in render(gather_material(session, a_profile()))


def test_gaps_are_told_and_break_the_lines(day: Session) -> None:
    page = render(a_material(replace(day, gaps=(Gap(6000.0, 6300.0, "no frames"),))))
    assert "1, 5 min in all" in page
    assert all(d.count("M") >= 2 for d in re.findall(r'data-name="group \d+" d="([^"]+)"', page))


def test_eight_hours_at_ten_a_second_make_a_small_page() -> None:
    page = render(a_material(a_day(n=288_000, step_s=0.1)))

    assert len(page.encode()) < 2_000_000


def test_an_interval_beyond_a_day_runs_upwards(day: Session) -> None:
    far = Balancing("converging", 7.9, None, 3e5, 2.5e5, 3.6e5, "over_24_h")

    words = told(a_material(day, balancing=far))

    assert "longer than 24 h" in words
    assert "69 h 27 min to 100 h" in words


def test_a_board_that_stopped_measuring_is_named_with_what_to_do(day: Session) -> None:
    stuck = Health(400.0, "fault", "stuck_relay", 5)
    warned = Said(300.0, "ease_off", 7, True, 3.02)

    words = told(a_material(replace(day, health=(stuck,), said=(warned,))))

    assert stuck.words
    assert stuck.words in words
    assert f"{warned.words} (3.02 V)" in words


def test_what_is_dangerous_has_its_own_section_and_the_headline_points_there(day: Session) -> None:
    heat = Hazard("extra_heat", 7, 3.2, "W", 2.5, 3.9, 0.91, current_a=30.0, more_percent=120.0)
    grows = Hazard("spread_grows", None, 9.0, "mV", 8.0, 10.0, 0.93, hours=6.0)
    reason = Reason("extra_heat", "inspect", heat, "hazards[0]", "hazards", 0.91, "check_joint")
    material = a_material(day, hazards=(heat, grows), verdict=Verdict("inspect", (reason,), 0.9))
    page = render(material)
    words = " ".join(parsed(page).words)
    assert '<a href="#hazards">' in page
    assert "group 7 extra heat in one place 3.2 W at 30 A 2.5 to 3.9 W 120 % more resistance" in words
    assert "the string the spread grows at rest 9 mV 8 to 10 mV over 6.0 h 0.93" in words
    assert 'id="hazards"' not in render(a_material(day))


def test_what_the_board_warned_of_ahead_stands_with_when_and_whether_it_was_right(day: Session) -> None:
    came = Foretold("ease_off", "came", 7, 300.0, 640.0, 400.0, 3.02, 95.0, 7, 2.941)
    clear = Foretold("ease_off", "stayed_clear", 7, 2000.0, 2060.0, None, 3.06, None, 8, 3.15)
    missed = Foretold("below_empty", "not_foretold", 9, 3000.0, reached_v=2.97)
    page = render(a_material(day, foretold=(came, clear, missed)))

    words = " ".join(parsed(page).words)

    assert "Right: 1 of 2 warnings ahead." in words
    assert (
        "group 7 ease off, now at 6 min 40 s 5 min 5 min 40 s 3.020 V below empty 95 s later; group 7 at 2.941 V"
        in words
    )
    assert "clear of empty: group 8 at 3.150 V" in words
    assert "1 time a group fell below empty with no warning ahead." in words
    assert 'id="foretold"' not in render(a_material(day))
