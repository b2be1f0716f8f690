"""Numbers five rows tall, to be read from across a bench. Drawn from half blocks; our own shapes."""

from __future__ import annotations

__all__ = ["HEIGHT", "big"]

HEIGHT = 5
_SHAPES = {
    "0": ("▄███▄", "██ ██", "██ ██", "██ ██", "▀███▀"),
    "1": ("▄██  ", " ██  ", " ██  ", " ██  ", "▀▀▀▀ "),
    "2": ("▄███▄", "▀▀ ██", " ▄██▀", "██▀  ", "▀▀▀▀▀"),
    "3": ("▄███▄", "   ██", " ███▄", "   ██", "▀███▀"),
    "4": ("██ ██", "██ ██", "▀████", "   ██", "   ▀▀"),
    "5": ("█████", "██▄▄ ", "▀▀▀█▄", "▄  ██", "▀███▀"),
    "6": ("▄███▄", "██   ", "████▄", "██ ██", "▀███▀"),
    "7": ("█████", "   ██", "  ██ ", " ██  ", " ▀▀  "),
    "8": ("▄███▄", "██ ██", "▄███▄", "██ ██", "▀███▀"),
    "9": ("▄███▄", "██ ██", "▀████", "   ██", "▀███▀"),
    ".": ("  ", "  ", "  ", "  ", "▀▀"),
    ":": ("  ", "██", "  ", "██", "  "),
    "-": ("    ", "    ", "████", "    ", "    "),
    "–": ("    ", "    ", "████", "    ", "    "),
    "+": ("     ", "  █  ", "█████", "  █  ", "     "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}


def big(text: str) -> list[str]:
    """`text` (digits, point, colon, signs) as five rows; a character without a shape is left out."""
    shapes = [_SHAPES[c] for c in text if c in _SHAPES]
    return [" ".join(shape[row] for shape in shapes) for row in range(HEIGHT)]
