"""Gaussian elimination of a sparse matrix of expressions, written out once: what is left to compile is arithmetic.

The order is by least degree (Markowitz, Manage. Sci. 3 (1957) 255, symmetric pattern), without pivoting: the matrices
are those of diffusion, reaction and potential with large diagonals.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["eliminated"]


def eliminated(casadi: Any, matrix: Any) -> Callable[[Any], Any]:
    """A solver of `matrix` x = right; the factors are shared by its calls."""
    n = matrix.shape[0]
    rows: list[dict[int, Any]] = [{} for _ in range(n)]
    for i, j in zip(*matrix.sparsity().get_triplet(), strict=True):
        rows[i][j] = matrix[i, j]
    order = _least_degree([set(row) for row in rows])
    below = _factors(rows, order)

    def solve(right: Any) -> Any:
        b = [right[k] for k in range(n)]
        for k in order:
            for i, factor in below[k]:
                b[i] = b[i] - factor * b[k]
        x: list[Any] = [0] * n
        for k in reversed(order):
            rest = sum((value * x[j] for j, value in rows[k].items() if j != k), 0)
            x[k] = (b[k] - rest) / rows[k][k]
        return casadi.vertcat(*x)

    return solve


def _factors(rows: list[dict[int, Any]], order: list[int]) -> list[list[tuple[int, Any]]]:
    """Makes `rows` an upper triangle in this order; for each pivot the rows below it and their factors."""
    place = {k: at for at, k in enumerate(order)}
    holders = [{i for i in range(len(rows)) if k in rows[i]} for k in range(len(rows))]
    below: list[list[tuple[int, Any]]] = [[] for _ in rows]
    for k in order:
        for i in sorted((i for i in holders[k] if place[i] > place[k]), key=place.__getitem__):
            factor = rows[i].pop(k) / rows[k][k]
            below[k].append((i, factor))
            for j in rows[k].keys() - {k}:
                rows[i][j] = rows[i].get(j, 0) - factor * rows[k][j]
                holders[j].add(i)
    return below


def _least_degree(near: list[set[int]]) -> list[int]:
    """An order of elimination with little fill-in."""
    n = len(near)
    graph = [set() for _ in range(n)]  # type: list[set[int]]
    for i, columns in enumerate(near):
        for j in columns - {i}:
            graph[i].add(j)
            graph[j].add(i)
    left, order = set(range(n)), []
    while left:
        k = min(left, key=lambda i: (len(graph[i]), i))
        order.append(k)
        left.remove(k)
        for i in graph[k]:
            graph[i] |= graph[k] - {i}
            graph[i].discard(k)
    return order
