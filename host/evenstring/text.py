"""Text that came from a device or a user, made fit to show anywhere: page, terminal, log.

Escaping for HTML is the page's business (its templates escape everything); this is about the characters themselves:
control characters, terminal escapes, direction overrides, invisible characters, unpaired surrogates, and sheer length.
"""

from __future__ import annotations

import json
import re
import unicodedata
from typing import Any

__all__ = ["json_text", "plain", "shown_lines", "utf8_cut"]

# Categories that draw nothing themselves but change what is drawn round them, or cannot be drawn at all.
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_MARKS_IN_A_ROW = 3  # combining marks on one letter; more is used to paint over neighbouring lines


def plain(text: object, limit: int = 400) -> str:
    """Give `text` as one line of visible characters, at most about `limit` long.

    Line breaks and tabs become one space. Other control characters become their control pictures (ESC is shown as ␛),
    what else cannot be seen becomes its code point in brackets, [U+202E], so that nothing acts on the reader's screen
    and nothing is hidden from the reader. Longer text is cut and says how long it was.
    """
    whole = str(text)
    if len(whole) <= limit and whole.isascii() and whole.isprintable():
        return whole  # most lines are, and thousands of them are shown
    head = whole[:limit]
    shown: list[str] = []
    marks = 0
    for character in head.replace("\r\n", " "):
        marks = marks + 1 if unicodedata.combining(character) else 0
        shown.append(_visible(character) if marks <= _MARKS_IN_A_ROW else "")
    if len(whole) > limit:
        shown.append(f"… [{len(whole):,} characters in all]")
    return "".join(shown)


def _visible(character: str) -> str:
    code = ord(character)
    if character in "\n\r\t":
        return " "
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "␡"
    if unicodedata.category(character) in _UNSEEN:
        return f"[U+{code:04X}]"
    return character


def shown_lines(text: object, limit: int = 2000) -> str:
    """The same line by line: for text of our own, of several lines, with something of a device or a user in it."""
    return "\n".join(plain(line, limit) for line in str(text).split("\n"))


def json_text(value: Any, indent: int | None = 1) -> str:
    """A value as JSON that can be shown anywhere: letters stay as they are, what acts on a screen is escaped.

    Raises:
        ValueError: a number that JSON does not know.
    """
    text = json.dumps(value, indent=indent, ensure_ascii=False, allow_nan=False)
    return _NOT_ASCII.sub(_escaped, text)


_NOT_ASCII = re.compile(r"[\x7f-\U0010ffff]")  # all below is what JSON itself escapes, or plain


def _escaped(found: re.Match[str]) -> str:
    """A character that cannot be seen, as JSON's escape: a pair where it lies beyond the first plane."""
    character = found[0]
    if unicodedata.category(character) not in _UNSEEN:
        return character
    units = character.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[k]:02x}{units[k + 1]:02x}" for k in range(0, len(units), 2))


def utf8_cut(text: str, most: int) -> str:
    """The text, no longer than `most` bytes of UTF-8, cut between characters; what UTF-8 does not know is a mark."""
    return text.encode("utf-8", "replace")[:most].decode("utf-8", "ignore")
