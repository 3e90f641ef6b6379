"""Just enough drawing for the pictures of method.md: panels with axes, lines, dots, bars and words, as SVG text.

Places are rounded to a tenth of a unit, which keeps the files small and the same on every machine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
FONT = "font-family='sans-serif' font-size='12'"
GRID, INK = "#dddddd", "#333333"
TICKS = 8                  # at most, along an axis


def number(value: float) -> str:
    """A coordinate with one decimal at most."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def ticks(low: float, high: float) -> Floats:
    """Round values from low to high, at most TICKS of them."""
    raw = (high - low) / TICKS
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(s for s in (power, 2 * power, 2.5 * power, 5 * power, 10 * power) if s >= raw * (1 - 1e-9))
    return np.asarray(np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step)


@dataclass
class Panel:
    """One pair of axes; `box` is (left, top, width, height) in units of the picture, `x` and `y` the ranges."""

    box: tuple[float, float, float, float]
    x: tuple[float, float]
    y: tuple[float, float]
    x_title: str
    y_title: str
    drawn: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)

    def place(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Places in the picture."""
        left, top, width, height = self.box
        return (left + (x - self.x[0]) / (self.x[1] - self.x[0]) * width,
                top + (self.y[1] - y) / (self.y[1] - self.y[0]) * height)

    def line(self, x: Floats, y: Floats, colour: str, width: float) -> None:
        """A line through the points."""
        points = " ".join(f"{number(a)},{number(b)}" for a, b in zip(*self.place(x, y), strict=True))
        self.drawn.append(f"<polyline points='{points}' fill='none' stroke='{colour}' stroke-width='{width}'/>")

    def dots(self, x: Floats, y: Floats, colour: str, radius: float) -> None:
        """A dot at each point: strokes of no length with round ends, which take a third of the bytes of circles."""
        path = "".join(f"M{number(a)} {number(b)}h0" for a, b in zip(*self.place(x, y), strict=True))
        self.drawn.append(f"<path d='{path}' stroke='{colour}' stroke-width='{2 * radius:g}' stroke-linecap='round' "
                          "fill='none'/>")

    def bars(self, edges: Floats, heights: Floats, colour: str) -> None:
        """Bars between the edges, shape (n + 1,), up to the heights, shape (n,)."""
        for first, last, height in zip(edges[:-1], edges[1:], heights, strict=True):
            (a, b), (top, foot) = self.place(np.array([first, last]), np.array([float(height), 0.0]))
            self.drawn.append(f"<rect x='{number(a + 1)}' y='{number(top)}' width='{number(b - a - 2)}' "
                              f"height='{number(foot - top)}' fill='{colour}'/>")

    def upright(self, x: float, colour: str) -> None:
        """A dashed line from bottom to top."""
        (a, b), (top, foot) = self.place(np.array([x, x]), np.array([self.y[1], self.y[0]]))
        self.drawn.append(f"<path d='M{number(a)} {number(top)}L{number(b)} {number(foot)}' stroke='{colour}' "
                          "stroke-dasharray='5 3'/>")

    def label(self, x: float, y: float, words: str, colour: str) -> None:
        """Words that begin at a point."""
        (a,), (b,) = self.place(np.array([x]), np.array([y]))
        self.words.append(f"<text x='{number(a)}' y='{number(b)}' fill='{colour}'>{escape(words)}</text>")

    def text(self, name: str) -> str:
        """The panel as SVG; `name` names its clip."""
        left, top, width, height = self.box
        frame = f"x='{left}' y='{top}' width='{width}' height='{height}'"
        out = [f"<clipPath id='{name}'><rect {frame}/></clipPath>"]
        for value in ticks(*self.x):
            (a,), _ = self.place(np.array([value]), np.zeros(1))
            out.append(f"<path d='M{number(a)} {top}v{height}' stroke='{GRID}'/>"
                       f"<text x='{number(a)}' y='{top + height + 15}' text-anchor='middle'>{_figure(value)}</text>")
        for value in ticks(*self.y):
            _, (b,) = self.place(np.zeros(1), np.array([value]))
            out.append(f"<path d='M{left} {number(b)}h{width}' stroke='{GRID}'/>"
                       f"<text x='{left - 6}' y='{number(b + 4)}' text-anchor='end'>{_figure(value)}</text>")
        out.append(f"<g clip-path='url(#{name})'>{''.join(self.drawn)}</g>")
        out.append(f"<rect {frame} fill='none' stroke='{INK}'/>")
        middle, side = left + width / 2, top + height / 2
        out.append(f"<text x='{number(middle)}' y='{top + height + 33}' text-anchor='middle'>"
                   f"{escape(self.x_title)}</text>")
        out.append(f"<text transform='translate(16 {number(side)}) rotate(-90)' text-anchor='middle'>"
                   f"{escape(self.y_title)}</text>")
        # a white rim keeps words readable on dots
        out.append(f"<g paint-order='stroke' stroke='white' stroke-width='3'>{''.join(self.words)}</g>")
        return "\n".join(out)


def _figure(value: float) -> str:
    return f"{value + 0.0:.6g}".replace("-", "−") if abs(value) > 1e-12 else "0"


@dataclass
class Picture:
    """A sheet of `width` by `height` units with panels on it."""

    width: int
    height: int
    panels: list[Panel] = field(default_factory=list)

    def panel(self, panel: Panel) -> Panel:
        """Put a panel on the sheet."""
        self.panels.append(panel)
        return panel

    def text(self) -> str:
        """The whole file."""
        inner = "\n".join(panel.text(f"clip{k}") for k, panel in enumerate(self.panels))
        return (f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {self.width} {self.height}' "
                f"width='{self.width}' height='{self.height}' {FONT} fill='{INK}'>\n"
                f"<rect width='{self.width}' height='{self.height}' fill='white'/>\n{inner}\n</svg>\n")
