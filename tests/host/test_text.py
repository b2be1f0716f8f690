"""Text of devices and users shows as text."""

from __future__ import annotations

import json
import unicodedata

import pytest
from evenstring.cli import main
from evenstring.text import json_text, plain, shown_lines, utf8_cut
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


HOSTILE = [
    "\x1b]0;title\x07",
    "\x9b31m",
    "\x7f",
    "\u202egnp",
    "\u2066x\u2069",
    "\ufeff",
    "\ud800",
    "\U000e0041",
    "a\u200bb",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_json_holds_nothing_that_acts_on_a_screen_and_reads_back_as_it_was(text: str) -> None:
    written = json_text({"name": text, "of": ["Äpfel", "車", 1.5, None]})

    assert json.loads(written)["name"] == text
    assert all(ord(c) >= 0x20 or c == "\n" for c in written)
    assert not any(unicodedata.category(c) in ("Cc", "Cf", "Cs") for c in written if c != "\n")
    assert "Äpfel" in written
    assert "車" in written


@pytest.mark.parametrize("text", HOSTILE)
def test_lines_stay_lines_and_the_rest_is_shown_as_what_it_is(text: str) -> None:
    shown = shown_lines(f"first {text}\nsecond")

    assert shown.count("\n") == 1
    assert not any(unicodedata.category(c) in ("Cc", "Cf", "Cs") for c in shown if c != "\n")


@given(st.text(), st.integers(0, 40))
def test_a_cut_text_is_whole_characters_and_no_longer_than_asked(text: str, most: int) -> None:
    cut = utf8_cut(text, most)

    assert len(cut.encode()) <= most
    assert text.encode("utf-8", "replace").decode().startswith(cut)
