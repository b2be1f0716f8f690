"""Each figure that the analysis rests on says where it comes from."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import evenstring.analysis
import pytest

ROOM = Path(evenstring.analysis.__file__).parent
# published, with the source in brackets; common practice; tuned, and on what; our choice
ENDING = re.compile(r"(published \(.+\)|common practice|tuned on .+|our choice)\.?$")


def figures(tree: ast.Module) -> list[ast.stmt]:
    """Upper-case names of a module that are given a value with a number in it."""
    found: list[ast.stmt] = []
    for node in tree.body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        numbers = [n.value for n in ast.walk(node.value) if isinstance(n, ast.Constant)]
        if any(n.isupper() for n in names) and any(type(v) in (int, float) for v in numbers):
            found.append(node)
    return found


def comment_of(node: ast.stmt, lines: list[str]) -> str:
    """The comment behind a statement, else the block of comment right above it, joined."""
    behind = lines[node.end_lineno - 1][node.end_col_offset :].replace("# fmt: skip", "").strip()
    if behind:
        return behind.removeprefix("#").strip()
    above: list[str] = []
    at = node.lineno - 2
    while at >= 0 and lines[at].startswith("# "):
        above.insert(0, lines[at][2:])
        at -= 1
    return " ".join(above)


def without_source(text: str) -> list[str]:
    lines = text.split("\n")
    return [
        f"{n.lineno}: {lines[n.lineno - 1]}"
        for n in figures(ast.parse(text))
        if not ENDING.search(comment_of(n, lines))
    ]


@pytest.mark.parametrize("path", sorted(ROOM.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOM)))
def test_each_named_constant_says_where_it_comes_from(path: Path) -> None:
    assert without_source(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("_A_S = 3.0  # of a rest: our choice", 0),
        ("# Of a rest, and of\n# a ride: tuned on own packs under 100,000\n_A_S, _B_S = 3.0, 4.0", 0),
        ("_A = np.array([1.0, 2.0])  # published (a handbook)", 0),
        ("_A = np.array([1.0, 2.0])  # published", 1),
        ("_A_S = 3.0  # of a rest", 1),
        ("_A_S = 3.0  # our choice\n_B_S = 4.0", 1),
        ("# Long: our choice\n\n_A_S = 3.0", 1),
        ("_KIND = 'rest'\n__all__ = ['a']\nF64 = NDArray[np.float64]", 0),
    ],
)
def test_the_rule_itself(text: str, missing: int) -> None:
    assert len(without_source(text)) == missing
