"""The version of the analysis: it goes up whenever figures may change."""

__version__ = "1.20"
