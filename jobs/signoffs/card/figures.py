"""Figures of the job card as SVG: the sweep plot and the QR code. The same input gives the same bytes."""

from __future__ import annotations

import io
import re
from typing import Any, cast

import matplotlib as mpl
import segno
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from jobs.web.figures import deg_plain

FONT = "Atkinson Hyperlegible"
INK, FAINT, BLUE, GROUND = "#1b2126", "#9aa4ab", "#0b4f9e", "#ffffff"
# Forward and reverse are told by the dash as well as by the shade: the card is copied in black and white.
LINES: dict[str, dict[str, Any]] = {
    "forward": {"color": BLUE, "linewidth": 0.9, "linestyle": "solid"},
    "reverse": {"color": INK, "linewidth": 0.8, "linestyle": (0, (4, 2))},
}
STYLE: dict[str, Any] = {
    "axes.edgecolor": INK,
    "axes.facecolor": "none",
    "axes.labelcolor": INK,
    "axes.labelsize": 7,
    "axes.linewidth": 0.5,
    "figure.facecolor": "none",
    "font.family": "DejaVu Sans",  # measured with what matplotlib brings; the SVG names our own
    "font.size": 7,
    "legend.fontsize": 7,
    "savefig.facecolor": "none",
    "svg.fonttype": "none",
    "text.color": INK,
    "xtick.color": INK,
    "xtick.labelsize": 7,
    "xtick.major.width": 0.5,
    "ytick.color": INK,
    "ytick.labelsize": 7,
    "ytick.major.width": 0.5,
}


def sweep_plot(data: dict[str, Any], *, salt: str, width_mm: float = 168, height_mm: float = 62) -> str:
    """The sweep plot of `analysis.plot_data` as an SVG element: displacement above, residuals below.

    `salt` makes the ids inside unique in the page and the same every time.
    """
    with mpl.rc_context(cast(Any, {**STYLE, "svg.hashsalt": salt})):
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
        FigureCanvasSVG(figure)
        has_residuals = any(one.get("residual_mm") for one in _each(data.get("residuals")))
        rows = figure.subplots(2 if has_residuals else 1, 1, sharex=True, squeeze=False, **_ratios(has_residuals))
        upper = rows[0][0]
        _draw_sweeps(upper, data)
        _draw_marks(upper, data)
        if has_residuals:
            _draw_residuals(rows[1][0], data)
        rows[-1][0].set_xlabel(f"crank angle on the {data.get('angle_on', 'encoder')}, degrees")
        output = io.StringIO()
        figure.savefig(output, format="svg", metadata={"Date": None, "Creator": None})
    return _inline(output.getvalue(), width_mm, height_mm)


def _ratios(has_residuals: bool) -> dict[str, Any]:
    return {"gridspec_kw": {"height_ratios": [3, 1]}} if has_residuals else {}


def _each(series: Any) -> list[dict[str, Any]]:
    if isinstance(series, dict):
        return [series]
    return [one for one in series or [] if isinstance(one, dict)]


def _draw_sweeps(axes: Axes, data: dict[str, Any]) -> None:
    named: set[str] = set()
    for sweep in _each(data.get("sweeps")):
        direction = str(sweep.get("direction", "forward"))
        label = None if direction in named else direction
        named.add(direction)
        axes.plot(sweep["angle_deg"], sweep["lift_mm"], label=label, **LINES.get(direction, LINES["forward"]))
    for midline in _each(data.get("midline")):
        levels, angles = midline.get("lift_mm") or [], midline.get("middle_deg") or []
        label = None if "midline" in named else "midline of the flanks"
        named.add("midline")
        axes.plot(angles, levels, color=INK, linewidth=0, marker=".", markersize=1.6, label=label)
    axes.set_ylabel(f"displacement, {data.get('lift_unit', 'mm')}")
    axes.spines[["top", "right"]].set_visible(False)
    if named:
        axes.legend(loc="upper right", frameon=False, handlelength=2.6)


def _draw_marks(axes: Axes, data: dict[str, Any]) -> None:
    low, high = axes.get_xlim()
    chain: dict[str, Any] = {"linewidth": 0.6, "linestyle": (0, (8, 2, 1, 2))}  # a centre line, as in ISO 128
    crest, reference = data.get("crest_deg"), data.get("reference_deg")
    marks = [("crest", crest, INK), ("TDC", reference, BLUE)]
    if crest == reference:
        marks = [("crest and TDC", reference, BLUE)]
    shown = sorted((cast(float, value), name, colour) for name, value, colour in marks if _between(low, value, high))
    for place, (value, name, colour) in enumerate(shown):
        axes.axvline(value, color=colour, **chain)
        axes.annotate(
            f"{name} {deg_plain(value)}",
            (value, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(-2, 2) if place == 0 and len(shown) == 2 else (2, 2),
            textcoords="offset points",
            ha="right" if place == 0 and len(shown) == 2 else "left",
            fontsize=6.5,
        )


def _between(low: float, value: Any, high: float) -> bool:
    return isinstance(value, int | float) and low <= value <= high


def _draw_residuals(axes: Axes, data: dict[str, Any]) -> None:
    unit = data.get("lift_unit", "mm")
    for one in _each(data.get("residuals")):
        values = one.get("residual_mm") or []
        shown = [1000 * value for value in values] if unit == "mm" else values
        line = LINES.get(str(one.get("direction", "forward")), LINES["forward"])
        axes.plot(one["angle_deg"], shown, **{**line, "linewidth": 0.5})
    axes.axhline(0, color=FAINT, linewidth=0.5)
    axes.set_ylabel("residual, µm" if unit == "mm" else f"residual, {unit}")
    axes.spines[["top", "right"]].set_visible(False)


def _inline(svg: str, width_mm: float, height_mm: float) -> str:
    """The bare element with its size on paper, without metadata, and with our font named in its texts."""
    element = re.sub(r"<(metadata|style)\b.*?</\1>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    element = element.replace("<svg ", '<svg stroke-linejoin="round" stroke-linecap="butt" ', 1)
    size = f'width="{width_mm}mm" height="{height_mm}mm"'
    element = re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', size, element, count=1)
    return re.sub(r'font-family: [^;"]+', f"font-family: {FONT}", element)


def qr_code(text: str) -> str:
    """A QR code (ISO/IEC 18004, error correction M) as an SVG element of one path."""
    code = segno.make(text, error="m", micro=False)
    return str(code.svg_inline(scale=1, border=0, dark=INK, omitsize=True))
