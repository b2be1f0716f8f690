"""Plain SVG, the same bytes on every call: lines, boxes, words. Lengths in millimetres of an A4 sheet on its side."""

from __future__ import annotations

from html import escape

__all__ = ["INK", "Sheet"]

INK = "#222222"
_WIDTH, _HEIGHT = 277.0, 190.0


class Sheet:
    """One drawing. Everything is put where it is said, in the order in which it is said."""

    def __init__(self, title: str, width: float = _WIDTH, height: float = _HEIGHT) -> None:
        self._items: list[str] = []
        self.width, self.height = width, height
        self.text(4, 7, title, 4.2, weight="bold")

    def line(
        self, x1: float, y1: float, x2: float, y2: float, color: str = INK, width: float = 0.3, dash: str = ""
    ) -> None:
        """A straight line."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._items.append(
            f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" stroke="{color}" stroke-width="{width}"{dashed}/>'
        )

    def box(
        self,
        x: float,
        y: float,
        w: float,
        h: float,
        *,
        fill: str = "none",
        color: str = INK,
        width: float = 0.3,
        dash: str = "",
    ) -> None:
        """A rectangle."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._items.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{w:.2f}" height="{h:.2f}" fill="{fill}" stroke="{color}"'
            f' stroke-width="{width}"{dashed}/>'
        )

    def circle(self, x: float, y: float, r: float, color: str = INK) -> None:
        """A ring."""
        self._items.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}" fill="none" stroke="{color}" stroke-width="0.3"/>'
        )

    def text(
        self, x: float, y: float, words: str, size: float = 2.6, *, color: str = INK, anchor: str = "start", weight: str = "normal",
        turn: float = 0.0,
    ) -> None:  # fmt: skip
        """Words with their base line at y; `anchor` start, middle or end."""
        turned = f' transform="rotate({turn:g} {x:.2f} {y:.2f})"' if turn else ""
        self._items.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" fill="{color}" text-anchor="{anchor}" font-weight="{weight}"'
            f' font-family="sans-serif"{turned}>{escape(words)}</text>'
        )

    def data(self) -> bytes:
        """The drawing as SVG."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}mm" height="{self.height:g}mm"'
            f' viewBox="0 0 {self.width:g} {self.height:g}">'
        )
        white = f'<rect width="{self.width:g}" height="{self.height:g}" fill="white"/>'
        return "\n".join([head, white, *self._items, "</svg>", ""]).encode()
