"""A page that shows one analysis: sweeps, midline, residuals, sentences. It stands alone, without a network."""

from __future__ import annotations

import html
from pathlib import Path

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.engine import Work
from analysis.explain import explain
from analysis.plotdata import series

COLOURS = {"forward": "#1f5fa8", "reverse": "#a8541f"}


def figure(done: Work, points: int = 6000) -> go.Figure:
    """Lift, midline and residuals against the crank angle, one above the other."""
    data = series(done, done.result.reference_deg, points=points)
    shown = make_subplots(rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.06, row_heights=[0.5, 0.25, 0.25])
    for sweep in data["sweeps"]:
        shown.add_trace(go.Scattergl(
            x=sweep["angle_deg"], y=sweep["lift_mm"], mode="lines", name=str(sweep["direction"]),
            line={"color": COLOURS[str(sweep["direction"])], "width": 1, "dash": "solid" if sweep["used"] else "dot"},
            hovertemplate="%{x:.3f}°, %{y:.4f}"), row=1, col=1)
    for line in data["midline"]:
        shown.add_trace(go.Scattergl(
            x=line["middle_deg"], y=line["lift_mm"], mode="markers", name=f"midline, {line['direction']}",
            marker={"color": COLOURS[str(line["direction"])], "size": 4}), row=2, col=1)
    residuals = data["residuals"]
    shown.add_trace(go.Scattergl(x=residuals["angle_deg"], y=residuals["residual_mm"], mode="markers",
                                 name="residuals", marker={"size": 2, "color": "#555555"}), row=3, col=1)
    if data["crest_deg"] is not None:
        for row in (1, 2, 3):
            shown.add_vline(x=data["crest_deg"], line={"width": 1, "dash": "dash"}, row=row, col=1)
    unit = data["lift_unit"]
    for row, title in ((1, f"Lift, {unit}"), (2, f"Midline at lift, {unit}"), (3, f"Residual, {unit}")):
        shown.update_yaxes(title_text=title, row=row, col=1)
    shown.update_xaxes(title_text="Crank angle on the encoder, degrees", row=3, col=1)
    shown.update_layout(height=900, template="plotly_white", showlegend=False, margin={"t": 20})
    return shown


def write(done: Work, target: Path) -> None:
    """Write the page to `target` (HTML)."""
    said = "".join(f"<li>{html.escape(line)}</li>" for line in explain(done))
    plot = figure(done).to_html(full_html=False, include_plotlyjs=True,
                                config={"displaylogo": False, "showSendToCloud": False, "plotlyServerURL": ""})
    target.write_text(
        f"<!doctype html><html lang='en'><meta charset='utf-8'><title>Reference angle</title>"
        f"<body style='font-family:sans-serif;max-width:70rem;margin:auto'><h1>Reference angle</h1>"
        f"<ol>{said}</ol>{plot}<p>Trace {html.escape(done.trace.sha256)}</p></body></html>", encoding="utf-8")
