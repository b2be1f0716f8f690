"""Pure functions of the firmware, taken out of their files, so that they can be called without a board's modules."""

from __future__ import annotations

import ast
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenstring.paths import firmware_dir

BOARDS = firmware_dir() / "boards"


def function(file: str, name: str, **names: Any) -> Callable[..., Any]:
    """The function or method `name` of firmware/evenboard/`file`, with module constants as `names`."""
    tree = ast.parse((firmware_dir() / "evenboard" / file).read_text(encoding="utf-8"))
    found = next(node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == name)
    scope: dict[str, Any] = dict(names)
    exec(compile(ast.Module([found], []), file, "exec"), scope)
    result: Callable[..., Any] = scope[name]
    return result


def constant(file: str, name: str) -> int:
    """The number in `NAME = const(number)` of firmware/evenboard/`file`."""
    tree = ast.parse((firmware_dir() / "evenboard" / file).read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == name:
            value = node.value.args[0] if isinstance(node.value, ast.Call) else node.value
            return int(ast.literal_eval(value))
    raise LookupError(f"{file} has no {name}")


def board(path: Path) -> dict[str, Any]:
    """A board description."""
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data
