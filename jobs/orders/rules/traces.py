"""Handing in a trace: what can be seen of it before a worker looks, and where it was handed in before."""

from __future__ import annotations

from jobs.errors import Reason
from jobs.orders.models import Analysis, WorkOrder

TEXT_CONTROLS = frozenset(b"\t\n\r\x0b\x0c")
# First bytes of the forms a trace may come in: gzip, Apache Parquet, ASAM MDF 4.
MAGIC = (b"\x1f\x8b", b"PAR1", b"MDF     ")
UTF_16 = (b"\xff\xfe", b"\xfe\xff")


def why_not_bytes(first: bytes) -> list[Reason]:
    """What the first few hundred bytes give away; the analysis refuses the rest, with line and column."""
    if not first:
        return [Reason("empty", "The file is empty. Nothing was stored.", "file")]
    if first.startswith(MAGIC):
        return []
    if first.startswith(UTF_16):
        sentence = "The file is text in UTF-16. Export it as UTF-8 and hand that in. Nothing was stored."
        return [Reason("wrong-encoding", sentence, "file")]
    if any(byte < 0x20 and byte not in TEXT_CONTROLS for byte in first):
        sentence = (
            "The file is not a trace: it is neither text nor a form of recording that Midflank reads "
            "(CSV, CSV.gz, Parquet, MDF 4). Nothing was stored."
        )
        return [Reason("not-a-trace", sentence, "file")]
    return []


def why_not_again(places: list[str], repeated_because: str) -> list[Reason]:
    """The same bytes elsewhere are a mix-up, unless somebody says why; `places` say where they are."""
    if not places or repeated_because.strip():
        return []
    where = places[0] if len(places) == 1 else f"{places[0]} and {len(places) - 1} more"
    sentence = (
        f"This very file was handed in before, at {where}. Hand in the recording made for this step, or say "
        "why the same one counts here as well."
    )
    return [Reason("handed-in-before", sentence, "file")]


def why_not_analyse_again(
    order_number: str, order_state: str, newest: Analysis | None, input_sha256: str
) -> list[Reason]:
    """A second run on the same input would give the same result; only new input makes a new analysis."""
    if order_state == WorkOrder.State.CANCELLED:
        return [Reason("wrong-state", f"{order_number} is cancelled.")]
    if newest is not None and newest.input_sha256 == input_sha256:
        sentence = (
            f"Analysis {newest.number} stands on this trace, timing spec and calibration in this version of "
            "the analysis already; it would come out the same."
        )
        return [Reason("nothing-new", sentence)]
    return []
