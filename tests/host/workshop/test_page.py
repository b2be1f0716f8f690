"""The page on the bench says what the program takes: its examples are read, its names are all there are."""

from __future__ import annotations

import re
from pathlib import Path

from evenstring.workshop.acceptance.limits import parse_limits, ready_names
from evenstring.workshop.acceptance.quantities import QUANTITIES
from evenstring.workshop.job import Job, parse_job

from tests.host.looks import a_profile

PAGE = (Path(__file__).parents[3] / "host" / "BENCH.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```toml\n(.*?)^```", PAGE, re.M | re.S)


def test_the_examples_of_job_and_limits_are_taken_as_they_stand() -> None:
    job, limits = EXAMPLES

    assert parse_job(job, "the page").insulation_u_mohm == 11.0
    assert all(getattr(parse_job(job, "the page"), name) != getattr(Job(), name) for name in Job.__slots__)
    assert len(parse_limits(limits, "the page", a_profile()).criteria) == 2


def test_every_quantity_and_every_ready_file_is_named() -> None:
    assert [name for name in (*QUANTITIES, *ready_names()) if f"`{name}`" not in PAGE] == []
