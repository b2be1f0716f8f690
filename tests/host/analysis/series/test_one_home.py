"""The same physics is written once: whoever writes it a second time, elsewhere in the analysis, is sent home."""

from __future__ import annotations

import re
from pathlib import Path

import evenstring.analysis
import pytest

ROOM = Path(evenstring.analysis.__file__).parent
HOMES = {  # what it looks like when it is written by hand -> where it has its home
    "charge counted": (r"np\.trapezoid|cumsum\([^)]*(steps?_h|hours?_s)|\* *np\.minimum\(steps", "charge_moved.py"),
    "first-order lag": (r"state \* keep|\(.*- state\) \* ", "lag.py"),
    "robust scatter": (r"1\.4826|0\.6745|1\.349", "arrays.py"),
    "white noise": (r"sqrt\(6\.0\)", "arrays.py"),
    "slope at a level": (r"slope_v\([a-z_]*curve[a-z_]*\.soc\(|\.slope_v\(curve\.soc", "curve_slope.py"),
    "rows of a phase": (r">= [a-z]+(\[-?\d\])?\.start_s\) *& *\(", "rows_of_phase.py"),
    "largest current of a rest": (r"capacity_ah / (50|200)\b", "rest.py"),
}


@pytest.mark.parametrize("what", HOMES)
def test_it_is_written_in_its_home_alone(what: str) -> None:
    pattern, home = HOMES[what]
    elsewhere = [
        f"{path.relative_to(ROOM)}:{number}: {line.strip()}"
        for path in sorted(ROOM.rglob("*.py"))
        for number, line in enumerate(path.read_text(encoding="utf-8").split("\n"), start=1)
        if re.search(pattern, line) and path.name != home
    ]
    assert elsewhere == []
    assert (ROOM / "series" / home).exists()
