"""The strings found, against optima that others compute: scipy's integer programs (HiGHS) and its assignment."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from evenstring.workshop.matching.balanced import assigned, dealt
from evenstring.workshop.matching.bound import lower_bound
from evenstring.workshop.matching.exact import exact, work
from evenstring.workshop.matching.search import cost_of, search
from numpy.typing import NDArray
from scipy.cluster.vq import whiten
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import csc_matrix

from tests.shares import first_few
from tests.worlds.balanced_k_means import balanced_k_means

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


def batch(seed: int, most: int = 14) -> tuple[F64, F64, int, int]:
    """Cells in two or three quantities that belong together a little, as real ones; some batches leave cells over."""
    rng = np.random.default_rng(seed)
    size = int(rng.integers(2, 6))
    n = int(rng.integers(2 * size, most + 1))
    strings = max(1, n // size - int(rng.integers(0, 2)))
    z = rng.standard_normal((n, 3)) @ rng.standard_normal((3, 3))
    z[:, 2] *= rng.integers(0, 2)  # in half of them the third was not measured
    return z, (np.maximum(z, 0.0) ** 2).sum(axis=1), strings, size


def best_by_milp(z: F64, extra: F64, strings: int, size: int) -> float:
    """Set packing over all possible strings: the cost of each is computed pair by pair, not as the product does."""
    n = len(z)
    sets = np.array(list(combinations(range(n), size)))
    pairs = [((z[sets[:, a]] - z[sets[:, b]]) ** 2).sum(axis=1) for a, b in combinations(range(size), 2)]
    cost = np.sum(pairs, axis=0) / size + extra[sets].sum(axis=1)
    uses = csc_matrix((np.ones(sets.size), (sets.ravel(), np.repeat(np.arange(len(sets)), size))), (n, len(sets)))
    count = LinearConstraint(np.ones((1, len(sets))), strings, strings)  # type: ignore[arg-type]
    found = milp(cost, integrality=np.ones(len(sets)), bounds=Bounds(0, 1),
                 constraints=[LinearConstraint(uses, 0, 1), count], options={"mip_rel_gap": 1e-9})  # fmt: skip
    assert found.success
    return float(found.fun)


def is_whole(string: I64, strings: int, size: int) -> bool:
    """So many strings of so many cells, and no cell twice."""
    return [int((string == s).sum()) for s in range(strings)] == [size] * strings and string.max() == strings - 1


@pytest.mark.slow
@pytest.mark.parametrize("first", first_few(1, range(0, 100, 10)))
def test_of_ten_batches_nothing_is_better_than_what_is_proved_and_the_search_finds_it_too(first: int) -> None:
    for seed in range(first, first + 10):
        z, extra, strings, size = batch(seed)
        best = best_by_milp(z, extra, strings, size)
        proved, found = exact(z, extra, strings, size), search(z, extra, strings, size)

        assert is_whole(proved, strings, size)
        assert is_whole(found, strings, size)
        assert cost_of(z, extra, proved) == pytest.approx(best, rel=1e-6, abs=1e-9)
        assert cost_of(z, extra, found) <= best * (1.0 + 1e-6) + 1e-9
        assert lower_bound(z, extra, strings, size) <= best * (1.0 + 1e-6) + 1e-9


@pytest.mark.slow
@pytest.mark.parametrize(("n", "strings", "size"), [(24, 6, 4), (22, 5, 4)])
def test_beyond_what_is_proved_the_search_still_meets_the_integer_program(n: int, strings: int, size: int) -> None:
    rng = np.random.default_rng(n)
    z = rng.standard_normal((n, 2))
    extra = (np.maximum(z, 0.0) ** 2).sum(axis=1)
    best = best_by_milp(z, extra, strings, size)

    assert cost_of(z, extra, search(z, extra, strings, size)) <= best * (1.0 + 1e-6)


def test_cells_go_to_given_middles_as_scipys_assignment_sends_them() -> None:
    for seed in range(100):
        rng = np.random.default_rng(seed)
        strings, size = int(rng.integers(2, 9)), int(rng.integers(1, 9))
        cost = rng.exponential(size=(strings * size, strings))
        room = np.full(strings, size)
        found = assigned(cost, dealt(cost, room), 1e-12)
        rows, columns = linear_sum_assignment(np.repeat(cost, size, axis=1))

        assert np.bincount(found, minlength=strings).tolist() == room.tolist()
        assert cost[np.arange(len(cost)), found].sum() == pytest.approx(cost[rows, columns // size].sum())


@pytest.mark.slow
@pytest.mark.parametrize("first", first_few(1, range(3000, 3100, 10)))
def test_ten_larger_batches_are_no_worse_than_published_balanced_k_means_of_ten_starts(first: int) -> None:
    for seed in range(first, first + 10):
        rng = np.random.default_rng(seed)
        strings, size = int(rng.integers(3, 6)), int(rng.integers(6, 11))
        z = whiten(rng.standard_t(5, (strings * size, 3)))
        none = np.zeros(len(z))
        theirs = min(cost_of(z, none, balanced_k_means(z, strings, size, s)) for s in range(10))

        assert cost_of(z, none, search(z, none, strings, size)) <= theirs * (1.0 + 1e-9)


def test_one_quantity_alone_is_cut_in_sorted_order() -> None:
    """Published: W. Fisher, J. Am. Stat. Assoc. 53 (1958) 789."""
    z = np.random.default_rng(3).standard_normal((60, 1))
    none = np.zeros(60)
    string = search(z, none, 5, 12)
    ordered = string[np.argsort(z[:, 0])].reshape(5, 12)

    assert all(len(set(piece)) == 1 for piece in ordered.tolist())
    assert cost_of(z, none, string) == pytest.approx(lower_bound(z, none, 5, 12))


def test_the_work_of_a_proof_is_known_before_it_is_begun() -> None:
    # 20 cells in pairs: 654,729,075 ways (published: the odd factorial, OEIS A001147), but 2^20 sets of cells.
    assert work(20, 10, 2) < 654_729_075 / 50
    assert work(21, 3, 7) > 1 << 60
    assert all(a < b for a, b in pairwise(work(n, n // 4, 4) for n in (8, 12, 16, 20)))


def test_the_same_batch_gives_the_same_strings() -> None:
    z = np.random.default_rng(1).standard_normal((80, 3))
    none = np.zeros(80)

    assert (search(z, none, 4, 20) == search(z, none, 4, 20)).all()


def test_cells_that_are_all_the_same_are_split_all_the_same() -> None:
    z, none = np.zeros((30, 3)), np.zeros(30)

    assert is_whole(search(z, none, 2, 12), 2, 12)
    assert cost_of(z, none, search(z, none, 3, 10)) == 0.0
