"""Tables as people have them, through writers that others made (csv, pandas, polars, openpyxl): read with no option."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.host.io.tables.check_set import CHECK_SHAPES
from tests.host.io.tables.corpus import CORPUS
from tests.host.io.tables.judge import differences


@pytest.mark.parametrize("number", range(len(CORPUS)), ids=[shape.name for shape in CORPUS])
def test_a_table_of_the_corpus_is_read_as_it_was_written(tmp_path: Path, number: int) -> None:
    assert differences(CORPUS[number], tmp_path, 1000 + number) == []


@pytest.mark.parametrize("number", range(len(CHECK_SHAPES)), ids=[shape.name for shape in CHECK_SHAPES])
def test_a_table_written_down_before_the_reader_is_read_as_it_was_written(tmp_path: Path, number: int) -> None:
    assert differences(CHECK_SHAPES[number], tmp_path, 1000 + number) == []
