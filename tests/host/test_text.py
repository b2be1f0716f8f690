"""Text of devices and users shows as text."""

from __future__ import annotations

import unicodedata

import pytest
from evenstring.cli import main
from evenstring.text import plain
from hypothesis import given
from hypothesis import strategies as st


def test_terminal_escape_is_shown_and_not_sent() -> None:
    assert plain("\x1b[2Jgone") == "␛[2Jgone"


def test_direction_override_is_named() -> None:
    # U+202E is RIGHT-TO-LEFT OVERRIDE (Unicode Standard Annex 9, the bidirectional algorithm).
    assert plain("abc\u202edef") == "abc[U+202E]def"


def test_long_text_is_cut_and_says_so() -> None:
    shown = plain("x" * 10_240, 100)
    assert shown == "x" * 100 + "… [10,240 characters in all]"


def test_ordinary_text_of_any_script_is_left_alone() -> None:
    for text in ("delivery trike, left string", "Kühltasche 36 V", "電池 左", "سلسلة", "naïve – “so”"):
        assert plain(text) == text


def test_line_breaks_become_spaces() -> None:
    assert plain("a\r\nb\nc\td") == "a b c d"


def test_a_tower_of_combining_marks_is_cut_down() -> None:
    assert len(plain("a" + "\u0301" * 500, 1000)) <= 4


@given(st.text(alphabet=st.characters(), max_size=300))
def test_any_text_gives_one_line_without_unseen_characters(text: str) -> None:
    shown = plain(text)
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in shown)
    shown.encode("utf-8")


def test_an_error_about_a_file_with_an_escape_in_its_name_sends_no_escape(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", "\x1b[2Jnot\u202ethere"])
    assert ended.value.code == 1
    said = capsys.readouterr().err
    assert "␛[2Jnot[U+202E]there" in said
    assert "\x1b" not in said
