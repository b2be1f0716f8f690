"""Text that came from a device or a user, made fit to show anywhere: page, terminal, log.

Escaping for HTML is the page's business (its templates escape everything); this is about the characters themselves:
control characters, terminal escapes, direction overrides, invisible characters, unpaired surrogates, and sheer length.
"""

from __future__ import annotations

import unicodedata

__all__ = ["plain"]

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
