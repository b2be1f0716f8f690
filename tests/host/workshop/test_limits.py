"""Files of limits: mistakes are refused with line and hint, the ready ones say where each figure is from."""

from __future__ import annotations

from pathlib import Path

import pytest
from evenstring.errors import InputError
from evenstring.workshop.acceptance.limits import limits_named, parse_limits, ready_names

from tests.host.looks import a_profile

ONE = '[[limit]]\nof = "spread_at_rest_mv"\nmost = 30\norigin = "agreed"\n'


def test_the_ready_files_say_of_every_figure_where_it_is_from() -> None:
    assert ready_names() == ("after_repair", "in_service", "second_life")
    for name in ready_names():
        limits = limits_named(name, a_profile())
        assert len(limits.criteria) >= 7
        assert {c.origin for c in limits.criteria} <= {"common practice", "our choice"}


def test_limits_of_the_pack_come_from_its_profile() -> None:
    profile = a_profile()
    ceiling = next(c for c in limits_named("in_service", profile).criteria if c.of == "highest_v")

    assert (ceiling.limit.bound, ceiling.limit.side) == (profile.ceiling_v, "most")


@pytest.mark.parametrize(("text", "says"), [
    ("", "there is no [[limit]]"),
    (ONE.replace("at_rest", "at_rst"), "line 2: quantity 'spread_at_rst_mv' is not known; did you mean"),
    (ONE.replace("most", "mots"), "line 3: key 'mots' is not known; did you mean 'most'?"),
    (ONE + "least = 3\n", "one of most, least"),
    (ONE.replace("most = 30\n", ""), "one of most, least"),
    (ONE.replace('origin = "agreed"\n', ""), "say where the figure is from"),
    (ONE.replace("agreed", "felt"), "must be one of published"),
    (ONE + "load_a = 20\n", "goes with lowest_under_load_v"),
    ('[[limit]]\nof = "lowest_under_load_v"\nleast = 3\norigin = "agreed"\n', "goes with lowest_under_load_v"),
    (ONE + "prior_u = 2\n", "go together"),
    (ONE.replace("30", '"30"'), "written without quotes"),
    ("[acceptance]\nguard_band = 50\n" + ONE, "in standard uncertainties"),
    ("[limits]\nfull_v = 4\n", "did you mean 'limit'?"),
    ("[[limit]\n", "not valid TOML"),
])  # fmt: skip
def test_a_mistake_is_refused_with_its_reason(text: str, says: str) -> None:
    with pytest.raises(InputError, match=r"limits\.toml") as error:
        parse_limits(text, "limits.toml", a_profile())

    assert says in str(error.value)


def test_a_name_that_is_no_file_says_which_names_there_are(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="after_repair, in_service, second_life"):
        limits_named(str(tmp_path / "in_servcie"), a_profile())
