"""The interval mark, the timing circle and the sweep plot: figures into geometry and words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from jobs.web import circle as circles
from jobs.web import drawing
from jobs.web.figures import MINUS, REFUSED, as_float, deg, deg_plain, number, verdict_word


def _of(thing: Any, name: str) -> Any:
    """A value of an object or of a result dict, or None."""
    if isinstance(thing, Mapping):
        return thing.get(name)
    return getattr(thing, name, None)


# --- Interval mark --------------------------------------------------------------------------------------

_LIES = {
    "inside": "The interval lies inside the tolerance.",
    "outside": "The interval lies outside the tolerance.",
    "straddling": "The interval straddles the limit.",
    "empty": "Empty scale: there is no result.",
    "refused": "Empty scale: the file was refused, it is no trace that can be read.",
}


def interval_mark(
    deviation_deg: Any,
    expanded_deg: Any,
    tolerance_deg: Any,
    verdict: str | None = "",
    *,
    size: str = "row",
    words: bool = True,
    name: str = "",
) -> dict[str, Any]:
    """A verdict drawn to scale: tolerance zone, deviation and expanded uncertainty, with the word beside it."""
    deviation, expanded, tolerance = as_float(deviation_deg), as_float(expanded_deg), as_float(tolerance_deg)
    if verdict == "no-result":
        deviation = expanded = None
    mark = drawing.interval_mark(deviation, expanded, tolerance, size=drawing.SIZES[size])
    figures = "" if mark.lie == "empty" else f"{deg(deviation)} ± {deg_plain(expanded)}"
    limit = f"limit ±{deg_plain(tolerance)}" if tolerance else ""
    word = verdict_word(verdict)
    lie = "refused" if word == REFUSED else mark.lie
    parts = [f"{name}:" if name else "", "" if words else f"{word}.", figures and f"{figures}, {limit}."]
    parts += [_LIES[lie], "Off the scale, drawn behind the broken line." if mark.off else ""]
    return {
        "mark": mark,
        "size": mark.size,
        "word": word,
        "words": words,
        "figures": figures,
        "limit": limit,
        "times": number(abs(deviation) / tolerance, 1) if mark.off and deviation and tolerance else "",
        "alternative": " ".join(part for part in parts if part),
        "low_text": f"{MINUS}{tolerance:g}°" if tolerance else "",
        "high_text": f"+{tolerance:g}°" if tolerance else "",
    }


def interval_mark_of(analysis: Any, tolerance_deg: Any, **options: Any) -> dict[str, Any]:
    """The interval mark of an analysis or result dict; an empty scale for None and for a file that was refused."""
    return interval_mark(
        _of(analysis, "deviation_deg"),
        _of(analysis, "expanded_uncertainty_deg"),
        tolerance_deg,
        _verdict_of(analysis),
        **options,
    )


def _verdict_of(analysis: Any) -> str:
    """The verdict, or that the file was refused: of such a file nothing was measured that could have a result."""
    return REFUSED if _of(analysis, "outcome") == REFUSED else str(_of(analysis, "verdict") or "")


def verdict_of(analysis: Any) -> str:
    """The verdict of an analysis in words; of one that refused its file, `refused`."""
    return verdict_word(_verdict_of(analysis))


# --- Timing circle --------------------------------------------------------------------------------------


def timing_circle(
    target_deg: Any,
    tolerance_deg: Any,
    rotation: str,
    viewing_end: str,
    *,
    as_found: Any = None,
    as_left: Any = None,
    reference_cylinder: str = "",
) -> dict[str, Any]:
    """The picture of a job: crank circle, target, tolerance, as-found and as-left in the sense of rotation."""
    target, tolerance = as_float(target_deg) or 0.0, as_float(tolerance_deg)
    if tolerance is None or tolerance <= 0:
        return {"circle": None}
    results = {"as-found": as_found, "as-left": as_left}
    found: dict[str, tuple[float, float]] = {}
    for stage, result in results.items():
        at = as_float(_of(result, "deviation_deg"))
        expanded = as_float(_of(result, "expanded_uncertainty_deg"))
        if at is not None and expanded is not None and _of(result, "verdict") != "no-result":
            found[stage] = (at, expanded)
    circle = circles.timing_circle(
        target_deg=target, tolerance_deg=tolerance, clockwise=rotation != "anticlockwise", found=found
    )
    key = [
        {"stage": stage, "text": _result_words(results[stage], found.get(stage)), "drawn": stage in found}
        for stage in results
    ]
    said = "; ".join(f"{line['stage']} {line['text']}" for line in key)
    return {
        "circle": circle,
        "key": key,
        "target": deg_plain(target),
        "tolerance": f"±{deg_plain(tolerance)}",
        "rotation": rotation,
        "viewing_end": viewing_end,
        "reference_cylinder": reference_cylinder,
        "alternative": f"Timing circle, {rotation} seen from the {viewing_end}. Target {deg_plain(target)} "
        f"± {deg_plain(tolerance)}; {said}.",
    }


def _result_words(result: Any, found: tuple[float, float] | None) -> str:
    if found is not None:
        return f"{deg(found[0])} ± {deg_plain(found[1])}, {verdict_word(_of(result, 'verdict'))}"
    # Of a stage without a trace a template hands on an empty text: its `analysis` is an attribute of nothing.
    return verdict_of(result) if result else "not measured yet"


# --- Sweep plot -----------------------------------------------------------------------------------------


def sweep_plot(url: str, trace_name: str = "", *, result: Any = None, id: str = "sweep-plot") -> dict[str, Any]:
    """The sweep plot, with the sweeps as a table for whoever cannot see it or has it on paper."""
    return {
        "url": url,
        "trace_name": trace_name,
        "id": id,
        "sweeps": _of(result, "sweeps") or [],
        "result": result,
    }


def sweep_plot_scripts() -> dict[str, Any]:
    return {}
