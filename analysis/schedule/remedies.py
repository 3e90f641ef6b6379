"""Single changes that give a job a place, with what each costs in hours.

| change | hours |
| --- | --- |
| validity of an instrument or a skill longer | by how much, at most `A_RENEWAL` |
| somebody at work, or something open, longer | the hours added |
| something lost for good back | from when on until it is done with |
| pin moved or let go | half of the hours it moves, at least `A_PIN` |
| work in hand done sooner | by how much |
| order released sooner | by how much |
| another order that is planned begun later | by how much |
| follows at once, without a lag | the lag |
| may pause | a quarter of the pause, at least `A_PAUSE` |
| order does not keep what it holds | `A_HOLD` |
| somebody gets a skill | `A_SKILL` |
| one more of a resource | `ONE_MORE` |

The hours order the changes, they are no wage; a calibration that is long over takes no longer to renew than one that
ends today. What is offered has been planned by the scheme that makes the plans: for an order that has a place alone
and none beside the others, and up to `MOST_TO_PLAN_WHOLE` operations, with all other orders, beyond that beside what
is fixed and what is left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from analysis.schedule.clashing import Asked, Clash, Term
from analysis.schedule.crowded import AFTER, BESIDE, Tried, tried
from analysis.schedule.fixed import Fixed
from analysis.schedule.longer import added, longer, pieces
from analysis.schedule.model import DAY, MINUTE, NEVER, Booking, Candidate, Fact, Problem, Remedy, Spans
from analysis.schedule.oracle import Found
from analysis.schedule.place import Timeline, Use, earliest
from analysis.schedule.relax import EVER, OF_RESOURCES, Change, changed, gone
from analysis.schedule.words import lasting

HOUR = 60 * MINUTE
A_PIN, A_PAUSE, A_HOLD, A_SKILL, A_RENEWAL, ONE_MORE = 0.5, 0.25, 2.0, 16.0, 16.0, 40.0
MOST_OFFERED = 2
MOST_TO_PLAN_WHOLE = 200            # operations up to which they are planned with all other orders
MOST_PLANNED = 4                    # changes planned to find those that hold
MOST_OF_A_KIND = 3                  # resources of a kind, or spans of a calendar, that are tried


@dataclass
class Search:
    """Looks for the changes of one clash."""

    asked: Asked
    fixed: Fixed
    clash: Clash
    known: list[tuple[Remedy, Tried]] = field(default_factory=list)     # what did for other jobs, and its plan
    parts: bool = False                 # whether the problem is a part of one that is planned
    offers: list[tuple[float, Remedy, Change]] = field(default_factory=list)

    @property
    def problem(self) -> Problem:
        return self.asked.problem

    def remedies(self) -> tuple[Remedy, ...]:
        """The cheapest changes that hold when planned; `known` takes in what is found."""
        known = self._that_do_here()
        if len(known) >= MOST_OFFERED:
            return known
        self._others()
        for term in self.clash.terms:
            if term.kind in ("usable", "skill", "calendar"):
                last = sorted(term.changes, key=lambda one: (-self._hi(one), one.subject))[:MOST_OF_A_KIND]
                for change in last:
                    self._back(change) if term.gone else \
                        self._calendar(change) if term.kind == "calendar" else self._validity(change)
            elif term.kind in ("pin", "taken"):
                self._pin(term)
            elif term.kind != BESIDE:
                self._other(term)
        if sum(hours < A_SKILL for hours, _, _ in self.offers) < MOST_OFFERED:
            self._more()
        self.offers.sort(key=lambda one: (one[0], one[1].sentence))
        kept: list[Remedy] = []
        for _, remedy, change in self.offers[:MOST_PLANNED]:
            if len(kept) < MOST_OFFERED:
                held = self._held(remedy, self._planned(change)) or self._wider(change)
                kept += [held] if held is not None else []
        return cheapest(kept)

    def _that_do_here(self) -> tuple[Remedy, ...]:
        """Changes planned for another job that give this one a place as well, and touch a fact of its set."""
        ids = {fact for term in self.clash.terms for fact in term.facts}
        return cheapest(remedy for remedy, plan in self.known if ids.intersection(remedy.facts) and self._holds(plan)
                        and (plan.whole or self.asked.crowd is None))

    def _held(self, remedy: Remedy, plan: Tried | None) -> Remedy | None:
        """The remedy if its plan holds."""
        if plan is None or not self._holds(plan):
            return None
        self.known.append((remedy, plan))
        return remedy

    def _planned(self, change: Change) -> Tried | None:
        """The plan with the change made, in which the other orders left out that could take what it gives are as well:
        theirs must not be the place. None when no plan may be made any more."""
        if self.asked.crowd is not None:
            return self.asked.crowd.planned(self.problem, change)
        rivals = self._rivals(change)
        there = replace(self.problem, left_out=[one for one in self.problem.left_out if one.order not in rivals])
        whole = len(self.problem.operations) <= MOST_TO_PLAN_WHOLE and not self.parts
        return replace(tried(changed(there, [change])), whole=whole)

    def _holds(self, found: Tried) -> bool:
        """Whether a plan has the job, and loses no order that there is a place for without."""
        out = self.asked.out | (self.asked.crowd.out if self.asked.crowd is not None else set())
        return not found.left & self.mine and found.left <= out

    def _wider(self, change: Change) -> Remedy | None:
        """A validity that lasts, or something lost that is back, until the others left out for want of it are done.

        Where one calibration has to serve several orders, one that lasts just as long as this one takes may go to
        another.
        """
        back = change.kind == "calendar" and gone(self.problem, change.subject)
        if change.value is None or change.value == EVER or not (back or change.kind in ("usable", "skill")):
            return None
        first = change.value[0]
        low = first if isinstance(first, int) else first[0]
        found = self._planned(replace(change, value=((low, NEVER),) if back else (low, NEVER)))
        if found is None or not self._holds(found):
            return None
        high = max((one.end for one in found.bookings.values() if change.subject in one.resources), default=NEVER)
        if high >= NEVER or high <= low:
            return None
        change = replace(change, value=((low, high),) if back else (low, high))
        return self._held((self._lent(change) if back else self._valid(change))[1], self._planned(change))

    def _rivals(self, change: Change) -> set[str]:
        """The other orders left out that ask for what is changed, or that are pinned where a pin goes."""
        out = {one.order for one in self.problem.left_out} - self.mine
        if len(self.problem.operations) <= MOST_TO_PLAN_WHOLE:
            return out
        if change.kind in ("hand", "pin"):
            booking = self.fixed.bookings.get(change.subject)
            touched = set(booking.resources if booking is not None else ())
        else:
            touched = {change.subject} if change.kind in OF_RESOURCES else set()
        kinds = {self.problem.resources[one].kind for one in touched}
        return {order.id for order in self.problem.orders if order.id in out and any(
            (change.kind == "pin" and self.problem.operations[index].pin_start is not None)
            or one.resource in touched or (need.kind in kinds and change.kind in ("skill", "more"))
            for index in order.operations for need in self.problem.operations[index].needs
            for one in (*need.candidates, Candidate(-1, 0, 0)))}

    @property
    def mine(self) -> set[str]:
        """The orders of the job."""
        operations = self.problem.operations
        return {self.problem.orders[operations[one].order].id for one in self.asked.operations}

    def _offer(self, hours: float, sentence: str, facts: tuple[Fact, ...], change: Change,
               said: dict[str, object]) -> None:
        cost = round(hours, 2)
        self.offers.append((cost, Remedy(sentence, facts, cost, {"kind": change.kind, **said}), change))

    def _hi(self, change: Change) -> int:
        if change.kind == "calendar":
            return max((end for _, end in self.problem.spans(change.subject) or ()), default=-NEVER)
        resource = self.problem.resources[change.subject]
        return (resource.usable if change.kind == "usable" else resource.skills[change.skill])[1]

    def _whole(self, change: Change, *, quick: bool = False) -> Found | None:
        found = self.asked.found([change], quick=quick)
        return found if found is not None and found.whole else None

    def _uses(self, found: Found, resource: int) -> list[Booking]:
        return [one for index, one in found.bookings.items()
                if resource in one.resources and index not in self.fixed.bookings]

    def _validity(self, change: Change) -> None:
        """An instrument or a skill that may serve for as long as the job needs it."""
        found = self._whole(change)
        uses = [] if found is None else self._uses(found, change.subject)
        if not uses:
            return
        resource = self.problem.resources[change.subject]
        lo, hi = resource.usable if change.kind == "usable" else resource.skills[change.skill]
        low, high = min(lo, *(one.start for one in uses)), max(hi, *(one.end for one in uses))
        change = Change(change.kind, change.subject, (low, high), change.skill)
        self.offers.append((*self._valid(change), change))

    def _valid(self, change: Change) -> tuple[float, Remedy]:
        """The offer of a validity from its first to its second value, and what it costs."""
        resource, instant = self.problem.resources[change.subject], self.problem.instant
        lo, hi = resource.usable if change.kind == "usable" else resource.skills[change.skill]
        low, high = (one for one in change.value or () if isinstance(one, int))
        what = f"{resource.id} usable" if change.kind == "usable" else \
            f"Skill {change.skill} of {resource.id} valid"
        parts = [f"until {instant(high)} instead of {instant(hi)}"] if high > hi else []
        parts += [f"from {instant(low)} instead of {instant(lo)}"] if low < lo else []
        facts = (Fact("resource", resource.id), *([Fact("skill", change.skill)] if change.skill else []))
        said: dict[str, object] = {"kind": change.kind, "resource": resource.id,
                                   "from": _or_none(self.problem, low), "until": _or_none(self.problem, high)}
        said |= {"skill": change.skill} if change.skill else {}
        cost = round(min((high - hi + lo - low) / HOUR, A_RENEWAL), 2)
        return cost, Remedy(f"{what} {' and '.join(parts)} would do.", facts, cost, said)

    def _calendar(self, change: Change) -> None:
        """The shortest of a few spans by which somebody would have to be at work longer."""
        old = self.problem.spans(change.subject) or ()
        spans_tried = longer(self.problem, self.problem.operations[self.clash.operation], self.clash.at, old)
        tried = sorted(spans_tried, key=lambda span: (added(old, (span,)), span))
        spans: Spans | None = next(((span,) for span in tried[:MOST_OF_A_KIND] if self._whole(
            Change("calendar", change.subject, (span,)), quick=True)), None)
        if spans is None:
            found = self._whole(change)
            uses = [] if found is None else self._uses(found, change.subject)
            if not uses:
                return
            spans = pieces(tuple((one.start, one.end) for one in uses if one.start < one.end))
        more = added(old, spans)
        name, instant = self.problem.resources[change.subject].id, self.problem.instant
        if not more:
            return
        words = " and ".join(f"from {instant(start)} to {instant(end)}" for start, end in spans)
        calendar = self.problem.calendar_names[self.problem.resources[change.subject].calendar or 0]
        works = "at work" if self.problem.resources[change.subject].works else "in use"
        self._offer(more / HOUR, f"{name} {works} {words}, {lasting(more)} more, would do.",
                    (Fact("resource", name), Fact("calendar", calendar)),
                    Change("calendar", change.subject, spans),
                    {"resource": name, "spans": [[instant(start), instant(end)] for start, end in spans]})

    def _back(self, change: Change) -> None:
        """Something lost for good back from when the job first asks for it until it is done with it."""
        found, until = self._whole(change), self._hi(change)
        uses = [] if found is None else [one for one in self._uses(found, change.subject) if one.end > until]
        if uses:
            span = max(until, min(one.start for one in uses)), max(one.end for one in uses)
            change = replace(change, value=(span,))
            self.offers.append((*self._lent(change), change))

    def _lent(self, change: Change) -> tuple[float, Remedy]:
        """The offer of something lost that is back for a span, and what it costs."""
        resource, instant = self.problem.resources[change.subject], self.problem.instant
        (low, high), = (one for one in change.value or () if isinstance(one, tuple))
        facts = (Fact("resource", resource.id), Fact("calendar", self.problem.calendar_names[resource.calendar or 0]))
        cost = round((high - low) / HOUR, 2)
        return cost, Remedy(f"{resource.id} back from {instant(low)} to {instant(high)} would do.", facts, cost,
                            {"kind": "calendar", "resource": resource.id, "spans": [[instant(low), instant(high)]]})

    def _pin(self, term: Term) -> None:
        """A pin of the job moved to the first place there is, or one of another order let go."""
        change = term.changes[0]
        found = self._whole(change)
        if found is None:
            return
        operation, instant = self.problem.operations[change.subject], self.problem.instant
        facts = (Fact("pin", operation.id), Fact("operation", operation.id))
        start = operation.pin_start
        moved = found.bookings[change.subject].start if term.kind == "pin" else self._again(change.subject, found)
        hours = max(A_PIN, 0.0 if start is None or moved is None else abs(moved - start) / HOUR / 2)
        if term.kind == "pin" and start is not None and moved is not None:
            who = ", ".join(self.problem.resources[one].id for one in operation.pin_resources)
            words = f"{operation.id} pinned to {instant(moved)} instead of {instant(start)}" \
                    f"{' and not to ' + who if who else ''} would do."
            self._offer(hours, words, facts, Change("pin", change.subject, (moved,)),
                        {"operation": operation.id, "start": instant(moved)})
            return
        then = "" if moved is None else f"; it could start {instant(moved)}"
        self._offer(hours, f"The pin of {operation.id} let go would do{then}.", facts, change,
                    {"operation": operation.id, "start": None})

    def _again(self, index: int, found: Found) -> int | None:
        """Where a pinned operation of another order could start beside the job."""
        problem, operation = self.problem, self.problem.operations[index]
        timeline = Timeline(problem, {one: [use for use in uses if use.operation != index]
                                      for one, uses in self.fixed.timeline.uses.items()})
        for own, booking in found.bookings.items():
            for resource in booking.resources if own not in self.fixed.bookings else ():
                timeline.take(resource, Use(booking.start, booking.end, 1, own))
        waits = [self.fixed.bookings[one].end + lag for one, lag in operation.after if one in self.fixed.bookings]
        at = max([problem.now, problem.orders[operation.order].release, *waits])
        booking_again = earliest(timeline, operation, at)
        return None if booking_again is None else booking_again.start

    def _other(self, term: Term) -> None:
        """Work in hand, lags, pauses, what an order keeps, its release."""
        change = term.changes[0]
        found = self._whole(change)
        if found is None:
            return
        if term.kind in ("hold", "release"):
            self._of_order(change, found)
            return
        operation, instant = self.problem.operations[change.subject], self.problem.instant
        facts: tuple[Fact, ...] = (Fact("operation", operation.id),)
        said: dict[str, object] = {"operation": operation.id}
        if term.kind == "hand":
            held = self.fixed.bookings[change.subject]
            first = min((use.start for one in held.resources for use in self._uses(found, one)), default=held.end)
            left = operation.remaining - (held.end - first)
            if held.end > first >= self.problem.now and left >= 0:
                self._offer((held.end - first) / HOUR, f"{operation.id} done by {instant(first)} instead of "
                            f"{instant(held.end)} would do.", facts, Change("hand", change.subject, (left,)),
                            {**said, "remaining_minutes": left / MINUTE})
        elif term.kind == "lag":
            lag = max(lag for _, lag in operation.after)
            self._offer(lag / HOUR, f"{operation.id} at once after what it waits for would do.", facts, change, said)
        elif term.kind == "pause":
            booking = found.bookings[change.subject]
            pause = booking.end - booking.start - operation.length
            words = f"from {instant(booking.start)} to {instant(booking.end)}"
            self._offer(max(A_PAUSE, pause / HOUR / 4), f"{operation.id} allowed to pause would do; it could stand "
                        f"{words}.", facts, change, said)

    def _others(self) -> None:
        """Orders that stand in the way begun only when the job has what they would take, the least in weight first."""
        crowd = self.asked.crowd
        if crowd is None:
            return
        whole = {one.id: one for one in crowd.whole.orders}
        numbers = [one.changes[0].subject for one in self.clash.terms if one.kind == BESIDE]
        numbers = [one for one in numbers if crowd.movable[one] and crowd.ids[one] in whole]
        for number in sorted(numbers, key=lambda one: (whole[crowd.ids[one]].weight, one))[:MOST_OF_A_KIND]:
            found = self._whole(Change(BESIDE, number))
            ends = [] if found is None else [one.end for resource in crowd.taken[number]
                                             for one in self._uses(found, resource)]
            name, begins = crowd.ids[number], crowd.begins[number]
            if ends and max(ends) > begins:
                later, instant = self.problem.on_grid(max(ends)), self.problem.instant
                self._offer((later - begins) / HOUR, f"Order {name} begun no sooner than {instant(later)}, and not "
                            f"{instant(begins)}, would do.", (Fact("order", name),),
                            Change(AFTER, number, (later,)), {"kind": "release", "order": name,
                                                                "release": instant(later)})

    def _of_order(self, change: Change, found: Found) -> None:
        order, instant = self.problem.orders[change.subject], self.problem.instant
        facts, said = (Fact("order", order.id),), {"order": order.id}
        if change.kind == "hold":
            self._offer(A_HOLD, f"Order {order.id} not keeping what it holds from operation to operation would do.",
                        facts, change, {**said})
            return
        first = min(one.start for index, one in found.bookings.items() if index in order.operations)
        self._offer((order.release - first) / HOUR, f"Order {order.id} released {instant(first)} instead of "
                    f"{instant(order.release)} would do.", facts, Change("release", order.index, (first,)),
                    {**said, "release": instant(first)})

    def _more(self) -> None:
        """Somebody who gets a skill, or one more of what a need asks for by its kind."""
        for need in self.clash.needs:
            able = {one.resource for one in need.candidates}
            alike = [one for one in self.problem.resources if need.any_of is None and one.kind == need.kind
                     and one.capacity >= need.amount]
            skill = need.skill or ""
            without = [one for one in alike if need.skill and need.skill not in one.skills]
            for one in without[:MOST_OF_A_KIND]:
                change = Change("skill", one.index, EVER, skill)
                if self._whole(change, quick=True):
                    self._offer(A_SKILL, f"{one.id} with the skill {skill} would do.",
                                (Fact("resource", one.id), Fact("skill", skill)), change,
                                {"resource": one.id, "skill": skill, "from": None, "until": None})
            # Not like one that was lost: the first of those that are there longest.
            model = max((one for one in alike if one.index in able), default=None, key=lambda one: (
                one.calendar is None or not gone(self.problem, one.index), -one.index))
            # What the order kept from the first on may have to be the new one, which the quick question leaves out.
            if model is not None and any(self._whole(Change("more", model.index), quick=one) for one in (True, False)):
                like = f", at work like {model.id}," if model.works else \
                    f", in use like {model.id}," if model.calendar is not None else ""
                words = f"One more {need.words()}{like} would do."
                self._offer(ONE_MORE, words, (Fact("resource", model.id),), Change("more", model.index),
                            {"resource": model.id})


def cheapest(found: Iterable[Remedy]) -> tuple[Remedy, ...]:
    """As many as are offered, each once."""
    once = {one.sentence: one for one in found}
    return tuple(sorted(once.values(), key=lambda one: (one.hours, one.sentence))[:MOST_OFFERED])


def _or_none(problem: Problem, at: int) -> str | None:
    return None if abs(at) >= NEVER - DAY else problem.instant(at)
