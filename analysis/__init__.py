"""The numerics of Midflank: pure functions, without Django, database, clock or network.

    analysis.analyse(data, spec)              the result of one trace (trace-format, section 3)
    analysis.plot_data(data, spec, result)    what a plot of it needs, reduced to the pixel
    analysis.analyse_hand(data, spec), hand_plot_data(…)    the same of readings taken by hand
    analysis.TraceRefused, SpecRefused        what is refused, and where
"""

from __future__ import annotations

from analysis.byhand import analyse_hand, hand_plot_data
from analysis.engine import analyse
from analysis.errors import AnalysisRefused, SpecRefused, TraceRefused
from analysis.plotdata import plot_data
from analysis.version import __version__

__all__ = [
    "AnalysisRefused", "SpecRefused", "TraceRefused", "__version__", "analyse", "analyse_hand", "hand_plot_data",
    "plot_data",
]
