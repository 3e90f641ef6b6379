"""What can be done with a whole work order from its page: who, when, what is asked first, what it does.

Nothing here decides: the action refuses with its rules. `states` only keeps a page from offering what could
not be done at all in the state the order is in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import Http404

from jobs.errors import Reason
from jobs.orders import actions, facts, forms, rules
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest

State = WorkOrder.State
FormMaker = Callable[[WorkOrder, Any, PersonRequest], PageForm]


def _none(order: WorkOrder) -> list[Reason]:
    return []


@dataclass(frozen=True)
class Act:
    """One thing to do with an order. `effect` and `done` are sentences with `{order}` in them."""

    code: str
    policy: str
    title: str
    effect: str
    button: str
    done: str
    states: Sequence[str]
    form: FormMaker
    run: Callable[..., Any]
    subject: Callable[[WorkOrder, PersonRequest], Any] = lambda order, request: order
    why_not: Callable[[WorkOrder], list[Reason]] = _none
    takes_seen_revision: bool = True
    final: bool = False
    on_order_page: bool = True

    def heading(self, order: WorkOrder) -> str:
        """The page's question, with the order's number in it."""
        thing = f"{order.number}, unit {order.unit.number}"
        if " it" not in self.title:
            return f"{self.title}: {thing}"
        return self.title.replace(" it", f" {order.number}", 1) + f", unit {order.unit.number}"


def _posted(request: PersonRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _simple(form: type[PageForm]) -> FormMaker:
    return lambda order, subject, request: form(_posted(request))


def _plan_form(order: WorkOrder, subject: Any, request: PersonRequest) -> PageForm:
    names = ("bay", "planned_start", "planned_end", "promised_at", "technician", "inspector")
    initial = {name: getattr(order, name) for name in names}
    initial["promised_at"] = order.promised_at or order.needed_by
    return forms.PlanForm(request.user, _posted(request), initial=initial)


def _finding(order: WorkOrder, request: PersonRequest) -> Any:
    wanted = request.GET.get("finding", "")
    found = order.findings.select_related("raised_by", "step__definition").filter(
        number=int(wanted) if wanted.isdecimal() else 0
    )
    finding = found.first()
    if finding is None:
        raise Http404("There is no such finding on this work order.")
    return finding


def _at(order: WorkOrder, request: PersonRequest) -> Any:
    """The order, and the step named by `?step=` when a finding belongs to one."""
    wanted = request.GET.get("step", "")
    return order, order.steps.filter(position=int(wanted)).first() if wanted.isdecimal() else None


def _raise(subject: Any, **values: Any) -> Any:
    order, step = subject
    return actions.raise_finding(order, step=step, **values)


ACTS: dict[str, Act] = {
    act.code: act
    for act in (
        Act(
            "plan", "plan-order", "Plan it", (
                "{order} gets a bay, people and a time. Whoever is planned must be qualified on those days, and the "
                "instruments that the procedure asks for must be in date on them."
            ), "Keep this plan", "{order} is planned.",
            (State.REQUESTED, State.PLANNED), _plan_form, actions.plan_order,
            why_not=lambda order: rules.why_not_plan_now(facts.of_order(order)),
        ),
        Act(
            "release", "release-order", "Release it to the floor", (
                "Releasing {order} freezes the revisions of engine type and procedure and the timing spec: what is "
                "issued later does not reach this job. Its steps are laid out and work can start."
            ), "Release it", "{order} is released to the floor.",
            (State.PLANNED,), _simple(forms.NoValues), actions.release_order,
            why_not=lambda order: rules.why_not_release(facts.of_order(order)), final=True,
        ),
        Act(
            "start", "start-order", "Start work", (
                "Work on {order} begins with its first step. Local rules, the maker's manual and authorised practice "
                "come before anything this page says."
            ), "Start work", "Work on {order} has started.",
            (State.RELEASED,), _simple(forms.NoValues), actions.start_order,
            why_not=lambda order: rules.why_not_start(facts.of_order(order)),
        ),
        Act(
            "hold", "hold-order", "Hold it", "No step of {order} can be done until it is let go on.",
            "Hold it", "{order} is held.",
            (State.REQUESTED, State.PLANNED, State.RELEASED, State.IN_WORK, State.TO_VERIFY),
            _simple(forms.ReasonForm), actions.hold_order,
            why_not=lambda order: rules.why_not_hold(facts.of_order(order)),
        ),
        Act(
            "resume", "hold-order", "Let it go on", "{order} goes on where it was held.",
            "Let it go on", "{order} goes on.",
            (State.HELD,), _simple(forms.NoValues), actions.resume_order,
            why_not=lambda order: rules.why_not_resume(facts.of_order(order)),
        ),
        Act(
            "cancel", "cancel-order", "Cancel it", (
                "{order} is given up before work starts. It stays on record with its reason and is not opened again."
            ), "Cancel it for good", "{order} is cancelled.",
            (State.REQUESTED, State.PLANNED, State.RELEASED, State.HELD),
            _simple(forms.ReasonForm), actions.cancel_order,
            why_not=lambda order: rules.why_not_cancel(facts.of_order(order)), final=True,
        ),
        Act(
            "findings", "raise-finding", "Raise a finding", (
                "The finding stays on the record of {order}. Another person decides about it, and nothing is signed "
                "before that. Sign-offs already made are void."
            ), "Raise the finding", "The finding is raised.",
            (State.RELEASED, State.IN_WORK, State.TO_VERIFY, State.HELD), _simple(forms.FindingForm), _raise,
            subject=_at, why_not=lambda order: rules.why_not_raise_now(order.number, order.open_state),
            takes_seen_revision=False,
        ),
        Act(
            "decide", "decide-finding", "Decide about a finding", (
                "Rework opens the step of the finding again, and what is proved after it. Accepting lets the work go "
                "on as it is, with your name and reason on the job card."
            ), "Record the decision", "The decision is recorded.",
            (State.IN_WORK, State.TO_VERIFY), _simple(forms.DecisionForm), actions.decide_finding,
            subject=_finding, takes_seen_revision=False, on_order_page=False, final=True,
        ),
        Act(
            "reopen", "reopen-order", "Reopen it", (
                "{order} goes back in work. A finding says why, and every sign-off that covers it is void: it must be "
                "performed, verified and released again."
            ), "Reopen it", "{order} is in work again.",
            (State.CLOSED,), _simple(forms.ReasonForm), actions.reopen_order,
            why_not=lambda order: rules.why_not_reopen(facts.of_order(order)),
            takes_seen_revision=False, final=True,
        ),
    )
}  # fmt: skip


def find(code: str) -> Act:
    """The act of this code; Http404 for one that does not exist."""
    try:
        return ACTS[code]
    except KeyError:
        raise Http404("There is no such thing to do with a work order.") from None


# What an order goes on by from each state, for whoever may do it.
ONWARD: dict[str, str] = {
    State.REQUESTED: "plan",
    State.PLANNED: "release",
    State.RELEASED: "start",
    State.HELD: "resume",
}


def offered(order: WorkOrder, person: Person) -> list[Act]:
    """What this person may do with the order in the state it is in."""
    return [
        act
        for act in ACTS.values()
        if act.on_order_page and order.state in act.states and policies.may(person, act.policy)
    ]
