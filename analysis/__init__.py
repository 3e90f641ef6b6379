"""The numerics of Midflank: pure functions, without Django, database, clock or network.

    analysis.analyse(data, spec)              the result of one trace (trace-format, section 3)
    analysis.plot_data(data, spec, result)    what a plot of it needs, reduced to the pixel
    analysis.analyse_hand(data, spec), hand_plot_data(…)    the same of readings taken by hand
    analysis.TraceRefused, SpecRefused        what is refused, and where

The functions are loaded when they are first asked for: numpy and scipy take half a second and 60 MB, which a process
that only passes work on does without.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from analysis.errors import AnalysisRefused, SpecRefused, TraceRefused
from analysis.version import __version__

if TYPE_CHECKING:
    from analysis.byhand import analyse_hand, hand_plot_data
    from analysis.engine import analyse
    from analysis.plotdata import plot_data
else:
    _HOMES = {
        "analyse": "analysis.engine",
        "analyse_hand": "analysis.byhand",
        "hand_plot_data": "analysis.byhand",
        "plot_data": "analysis.plotdata",
    }

    def __getattr__(name):
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(_HOMES[name]), name)


__all__ = [
    "AnalysisRefused", "SpecRefused", "TraceRefused", "__version__", "analyse", "analyse_hand", "hand_plot_data",
    "plot_data",
]
