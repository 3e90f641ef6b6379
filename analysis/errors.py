"""What the numerics refuse, and where."""

from __future__ import annotations


class AnalysisRefused(Exception):
    """An input that is not what the contract asks for; `message` is a sentence for a technician."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class TraceRefused(AnalysisRefused):
    """A file that is not a trace.

    Parameters
    ----------
    message : str
        What is wrong, in one sentence.
    line : int or None
        Line of the file, counted from 1 with the metadata lines; None where no line is at fault.
    column : str or None
        Name of the column or channel at fault.
    """

    def __init__(self, message: str, line: int | None = None, column: str | None = None) -> None:
        super().__init__(message)
        self.line = line
        self.column = column

    def to_json(self) -> dict[str, object]:
        """The refusal as it crosses the boundary (trace-format, section 3)."""
        return {"refused": {"message": self.message, "line": self.line, "column": self.column}}


class SpecRefused(AnalysisRefused):
    """A timing spec that cannot be used; `key` names the entry at fault."""

    def __init__(self, message: str, key: str | None = None) -> None:
        super().__init__(message)
        self.key = key

    def to_json(self) -> dict[str, object]:
        """The refusal in the same shape as a trace's: the key stands where the column would."""
        return {"refused": {"message": self.message, "line": None, "column": self.key}}
