"""The criterion: one unit, readings believed by their uncertainty, and strings that a repairer would make too."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.errors import InputError, UsageError
from evenstring.workshop.matching.cells import Cell, Reading
from evenstring.workshop.matching.criterion import Assumed, points_of, slope_v
from evenstring.workshop.matching.limits import Limits
from evenstring.workshop.matching.match import match


def cell(
    label: str, ah: float | None = None, mohm: float | None = None, leak: float | None = None, u: float = 0.0
) -> Cell:
    readings = [None if v is None else Reading(v, u) for v in (ah, mohm, leak)]
    return Cell(label, "batch.csv", (readings[0], readings[1], readings[2]))


def batch(n: int, seed: int = 1, u: float = 0.0) -> list[Cell]:
    rng = np.random.default_rng(seed)
    return [
        cell(f"c{k}", 2.5 * (1 + 0.02 * rng.standard_normal()), 30 * (1 + 0.08 * rng.standard_normal()),
             0.1 + 0.05 * abs(rng.standard_normal()), u)
        for k in range(n)
    ]  # fmt: skip


def test_one_per_cent_of_capacity_is_one_per_cent_of_charge() -> None:
    z = points_of([cell("a", 2.0), cell("b", 2.0), cell("c", 1.98)], Assumed(), 2).z

    assert z[:, 0] == pytest.approx([0.0, 0.0, 1.0])


def test_sag_is_charge_by_the_slope_of_the_curve_near_empty() -> None:
    """30 mOhm more at 2 C of 2 Ah is 0.12 V; the curve falls by so much in that much charge."""
    z = points_of([cell("a", 2.0, 30.0), cell("b", 2.0, 30.0), cell("c", 2.0, 60.0)], Assumed(), 2).z

    assert z[2, 1] == pytest.approx(100.0 * 0.12 / slope_v("nmc"))
    # C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534: about 3.1 V at 5 % and 3.6 V at 30 % (from memory of
    # its figure; the curve itself is held to pybamm's in tests/host/sim/test_ocv.py).
    assert slope_v("nmc") == pytest.approx((3.6 - 3.1) / 0.25, rel=0.1)


def test_leak_is_what_went_between_two_balanced_charges() -> None:
    z = points_of([cell("a", leak=0.1), cell("b", leak=0.1), cell("c", leak=0.6)], Assumed(weeks=8.0), 2).z

    assert z[2, 2] == pytest.approx(4.0)


def test_what_is_only_the_testers_scatter_does_not_sort_cells() -> None:
    """James and Stein: drawn in by u² / (own² + u²); Efron and Morris 1972: by no more than u."""
    ah = [2.0, 2.02, 1.98, 2.01, 1.99, 2.0, 1.8]
    same = points_of([cell(str(k), v, u=0.03) for k, v in enumerate(ah[:6])], Assumed(), 2)
    one_out = points_of([cell(str(k), v, u=0.03) for k, v in enumerate(ah)], Assumed(), 2)

    assert np.abs(same.z).max() == 0.0
    assert same.told[0] == 0.0
    assert one_out.z[6, 0] == pytest.approx(10.0 - 1.5)


def test_what_was_not_measured_counts_as_the_median_and_goes_last() -> None:
    cells = [*batch(9), cell("unknown", 2.5, 30.0)]
    points = points_of(cells, Assumed(), 3)
    found = match(cells, 3, 3)

    assert points.z[9, 2] == 0.0
    assert points.extra[9] > 0.0
    assert found.counted[2].measured == 9


def test_without_a_capacity_resistance_and_leak_are_not_weighed_by_a_guess() -> None:
    cells = [cell("a", None, 30.0, 0.1), cell("b", None, 31.0, 0.1)]

    with pytest.raises(InputError, match="say --capacity"):
        match(cells, 1, 2)
    assert len(match(cells, 1, 2, Assumed(capacity_ah=2.5)).strings) == 1


def test_two_kinds_that_were_mixed_up_are_parted_again() -> None:
    small = [cell(f"s{k}", 2.0 + 0.01 * k, 40.0) for k in range(10)]
    large = [cell(f"l{k}", 3.0 + 0.01 * k, 25.0) for k in range(10)]
    found = match([*small, *large][::3] + [*small, *large][1::3] + [*small, *large][2::3], 2, 10)

    kinds = [{c.label[0] for c in s.cells} for s in found.strings]
    assert kinds == [{"l"}, {"s"}]  # the one with more charge first
    assert "several kinds" in found.cautions[0]


def test_of_more_than_are_needed_the_worse_ones_and_the_unlike_one_stay_behind() -> None:
    good = [cell(f"g{k}", 2.5 + 0.005 * k, 30.0) for k in range(6)]
    poor = [cell(f"p{k}", 2.2 + 0.005 * k, 30.0) for k in range(5)]
    odd = cell("odd", 2.51, 55.0)
    found = match([*poor, odd, *good], 1, 6)

    assert {c.label for c in found.strings[0].cells} == {c.label for c in good}
    why = {one.cell.label: one.why for one in found.left}
    assert why["odd"].startswith("resistance 25.00 mΩ more")
    assert why["p0"].startswith("capacity 0.31")
    assert "less" in why["p0"]


def test_a_barred_cell_is_in_no_string_however_alike_it_is() -> None:
    cells = [
        Cell(c.label, c.source, c.readings, "was below its discard voltage" * (k == 2)) for k, c in enumerate(batch(9))
    ]
    found = match(Limits(most_resistance_mohm=100.0).applied(cells), None, 4)

    assert [(one.cell.label, one.why) for one in found.left] == [("c2", "was below its discard voltage")]


def test_limits_bar_what_is_beyond_them_and_say_by_how_much() -> None:
    cells = Limits(2.4, 35.0, 0.3).applied(
        [cell("ok", 2.4, 35.0, 0.3), cell("c", 2.39), cell("r", mohm=35.1), cell("l", leak=0.31), cell("none")]
    )

    assert [c.barred for c in cells] == [
        "", "capacity 2.390 Ah, below the limit of 2.4", "resistance 35.10 mΩ, above the limit of 35",
        "leak 0.31 % a week, above the limit of 0.3", "",
    ]  # fmt: skip


def test_every_cell_is_in_one_string_or_left_over_once() -> None:
    cells = batch(47)
    found = match(cells, None, 10)

    placed = [c.label for s in found.strings for c in s.cells] + [one.cell.label for one in found.left]
    assert sorted(placed) == sorted(c.label for c in cells)
    assert [len(s.cells) for s in found.strings] == [10] * 4
    assert 0.0 < found.bound <= found.cost


def test_what_is_proved_says_so_and_what_is_not_states_its_bound() -> None:
    small, large = match(batch(12), 3, 4), match(batch(60), 3, 20)

    assert small.proved
    assert small.bound == small.cost
    assert not large.proved
    assert large.bound < large.cost


@pytest.mark.parametrize(("cells", "strings", "size", "error"), [
    (9, 3, 4, "3 strings of 4 take 12 cells, and 9 can be used"), (3, None, 4, "1 strings? of 4 take"),
    (9, 1, 1, "two cells"),
])  # fmt: skip
def test_what_cannot_be_made_is_refused(cells: int, strings: int | None, size: int, error: str) -> None:
    with pytest.raises((InputError, UsageError), match=error):
        match(batch(cells), strings, size)
