"""What the compiler sees of the firmware: numbers of the protocol written out, all else as it stands in the sources."""

from __future__ import annotations

import ast

import pytest
from evenstring.board.compiled import NUMBERS, written_out
from evenstring.errors import InputError
from evenstring.paths import firmware_dir, protocol_dir
from evenstring_protocol import wire

FILES = [
    *sorted((firmware_dir() / "evenboard").rglob("*.py")),
    firmware_dir() / "main.py",
    *(p for p in sorted((protocol_dir() / "evenstring_protocol").glob("*.py")) if p.name != NUMBERS),
]


class _Numbers(ast.NodeTransformer):
    """The same by the language's own parser: attributes of `wire` become constants, its import goes."""

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        if isinstance(node.value, ast.Name) and node.value.id == "wire":
            return ast.parse(repr(getattr(wire, node.attr)), mode="eval").body
        return self.generic_visit(node)

    def visit_ImportFrom(self, node: ast.ImportFrom) -> ast.AST | None:
        node.names = [n for n in node.names if not (node.module == "evenstring_protocol" and n.name == "wire")]
        return node if node.names else None


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_only_the_numbers_of_the_protocol_change(path):
    """Against Python's own parser."""
    source = path.read_text(encoding="utf-8")
    made = written_out(source)

    assert ast.dump(ast.parse(made)) == ast.dump(_Numbers().visit(ast.parse(source)))
    assert len(made.splitlines()) == len(source.splitlines())
    assert not any(isinstance(n, ast.Name) and n.id == "wire" for n in ast.walk(ast.parse(made)))


def test_numbers_below_zero_keep_their_meaning_and_text_and_other_names_stay():
    source = (
        "from evenstring_protocol import framing, wire\nx = 2 - wire.NO_READING\ny = a.wire.IDENT\nz = 'wire.IDENT'\n"
    )

    assert written_out(source) == (
        "from evenstring_protocol import framing\nx = 2 - (-32768)\ny = a.wire.IDENT\nz = 'wire.IDENT'\n"
    )


def test_a_name_that_the_protocol_does_not_have_is_refused_with_its_line():
    with pytest.raises(InputError, match="line 2: the protocol has no IDENTT"):
        written_out("from evenstring_protocol import wire\nx = wire.IDENTT\n")
