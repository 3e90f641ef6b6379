"""When a procedure revision may be issued."""

from __future__ import annotations

from jobs.errors import Reason


def why_not_issue(
    *, title: str, number: int, already_issued: bool, newest_issued: int, positions: tuple[int, ...]
) -> list[Reason]:
    """Issued once, newer than what is issued, with steps numbered from 1 without a gap."""
    reasons = []
    if already_issued:
        reasons.append(Reason("already-issued", f"{title} is issued already."))
    elif number <= newest_issued:
        sentence = f"{title} is older than revision {newest_issued}, which is issued. Draft a newer one."
        reasons.append(Reason("older-revision", sentence))
    if not positions:
        reasons.append(Reason("no-steps", f"{title} has no steps."))
    elif sorted(positions) != list(range(1, len(positions) + 1)):
        reasons.append(Reason("step-gap", f"The steps of {title} are not numbered from 1 without a gap."))
    return reasons
