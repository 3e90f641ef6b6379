"""The board: the page, what it draws, what a move would do, moves made and taken back, and who else is there."""

from __future__ import annotations

import time
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.errors import Refusal, WrongPerson
from jobs.people import policies
from jobs.planning import boarddata, promising, sheets
from jobs.planning.actions import board as actions
from jobs.planning.actions import plans
from jobs.planning.board import Board, Effect
from jobs.planning.carrying import carried_on
from jobs.planning.forms.plans import BoardMove, MoveForm, NoteForm
from jobs.planning.gathering import board_mark, changes_on, plan_in_force
from jobs.planning.models import Change, Watcher
from jobs.planning.wording import length, moment
from jobs.web.http import PersonRequest

DONE = {"pin": "pinned", "unpin": "let go", "extend": "given other minutes"}
REMEMBERED_S = 4.0  # a look at what a move would do may be that far behind the facts; the move itself never is
HERE = timedelta(seconds=12)
SEEN_AGAIN = timedelta(seconds=4)
_REMEMBERED: dict[tuple[int, str], tuple[float, Board]] = {}


@require_GET
@never_cache
def board_page(request: PersonRequest) -> HttpResponse:
    """What is planned where and with whom, to scale, and moved by hand."""
    policies.require(request.user, "see-plan")
    at = timezone.now()
    facts, stated = plans.stated_now(request.user.shop, at=at)
    board = Board(stated.problem, facts.bookings, stated.names, request.user.shop.zone)
    drawn = boarddata.drawn(board, facts)
    changes = changes_on(facts.in_force)
    orders = _orders(drawn, request)
    may_plan = policies.may(request.user, "plan-shop")
    if may_plan:
        promising.get_ready()
    context = {
        "drawn": drawn,
        "sheet": sheets.sheet(facts.bookings, stated.problem["resources"], stated.names, request.user.shop.zone),
        "in_force": facts.in_force,
        "moves": len(changes),
        "may_plan": may_plan,
        "undecided": plans.undecided(facts, stated) if may_plan else None,
        "orders": orders,
        "clashing": [one for one in orders if one["clashing"]],
        "broken": [one for one in orders if _broken(one)],
        "late": [one for one in orders if one["late"] and not _broken(one)],
        "overdue": len(board.overdue()) if may_plan else 0,
        "placeless": _placeless(drawn, orders, request.user.shop.zone),
        "nothing": not facts.bookings,
        "without": len(drawn["orders"]) - len(orders),
        "open_orders": len(stated.problem["orders"]),
    }
    return render(request, "planning/board.html", context)


def _orders(drawn: dict[str, Any], request: PersonRequest) -> list[dict[str, Any]]:
    """The orders on the board as a list, by their end."""
    zone = request.user.shop.zone
    words = {row["id"]: row["name"] for row in drawn["rows"]}
    found = []
    bars_of: dict[str, list[dict[str, Any]]] = {}
    for bar in drawn["bars"]:
        bars_of.setdefault(bar["order"], []).append(bar)
    for key, order in drawn["orders"].items():
        bars = bars_of.get(key)
        if not bars:
            continue
        found.append({
            **order,
            "start": moment(boarddata.instant(min(bar["start"] for bar in bars)), zone),
            "end_words": moment(boarddata.instant(order["end"]), zone),
            "at": order["end"],
            "due_matters": "due" in order and ("promise" not in order or order["end"] > order["due"]),
            "after_promise": length(order["end"] - order["promise"]) if "promise" in order else "",
            "promise_words": moment(boarddata.instant(order["promise"]), zone) if "promise" in order else "",
            "after_due": length(order["end"] - order["due"]) if "due" in order else "",
            "clashing": sum(len(bar["clashes"]) for bar in bars),
            "due_words": moment(boarddata.instant(order["due"]), zone) if "due" in order else "",
            "operations": [
                {**bar, "start_words": moment(boarddata.instant(bar["start"]), zone),
                 "with": ", ".join(words.get(one, one) for one in bar["resources"])}
                for bar in sorted(bars, key=lambda one: one["start"])
            ],
        })  # fmt: skip
    return sorted(found, key=lambda one: (one["at"], one["number"]))


def _broken(order: dict[str, Any]) -> bool:
    return "promise" in order and order["at"] > order["promise"]


def _placeless(drawn: dict[str, Any], orders: list[dict[str, Any]], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Orders that are promised and have no place on the board, by their promise."""
    placed = {one["number"] for one in orders}
    found = [one for one in drawn["orders"].values() if one["number"] not in placed and "promise" in one]
    return [{**one, "promise_words": moment(boarddata.instant(one["promise"]), zone)}
            for one in sorted(found, key=lambda one: (one["promise"], one["number"]))]  # fmt: skip


@require_GET
@never_cache
def data(request: PersonRequest) -> HttpResponse:
    """The board as its page draws it; 204 while it is as the page knows it (`?mark=`) and nobody else came or went."""
    policies.require(request.user, "see-plan")
    shop, at = request.user.shop, timezone.now()
    watching = _watching(request, at)
    in_force = plan_in_force(shop)
    if request.GET.get("mark") == board_mark(in_force, changes_on(in_force)):
        return JsonResponse({"watching": watching}) if watching else HttpResponse(status=204)
    facts, stated = plans.stated_now(shop, at=at)
    board = Board(stated.problem, facts.bookings, stated.names, shop.zone)
    return JsonResponse({**boarddata.drawn(board, facts), "watching": watching})


def _watching(request: PersonRequest, at: datetime) -> list[dict[str, str]]:
    """Notes that this planner has the board open, and tells who else has."""
    if policies.may(request.user, "plan-shop"):
        holding = request.GET.get("holding", "")[:80]
        mine = Watcher.objects.filter(person=request.user).first()
        if mine is None or mine.holding != holding or at - mine.at > SEEN_AGAIN:
            Watcher.objects.update_or_create(person=request.user, defaults={"at": at, "holding": holding})
    others = Watcher.objects.filter(person__shop=request.user.shop_id, at__gt=at - HERE).exclude(person=request.user)
    return [{"name": one.person.name, "holding": one.holding} for one in others.select_related("person")]


@require_POST
def try_move(request: PersonRequest) -> HttpResponse:
    """What a move would do, without making it."""
    try:
        policies.require(request.user, "plan-shop")
    except WrongPerson as wrong:
        return JsonResponse({"reasons": [wrong.sentence]}, status=403)
    form = BoardMove(request.POST)
    if not form.is_valid():
        return _not_read(form)
    key = form.cleaned_data["operation"]
    board = _remembered(request)
    if key not in board.stands:
        return JsonResponse({"reasons": ["This operation has no place on the board any longer."]}, status=409)
    try:
        effect = board.move(key, **form.values())
    except Refusal as refusal:
        return JsonResponse({"reasons": [one.sentence for one in refusal.reasons]}, status=refusal.status)
    return JsonResponse(_effect(effect.to_json()))


def _remembered(request: PersonRequest) -> Board:
    """The board, read again after some seconds or when anybody has moved anything."""
    shop = request.user.shop
    in_force = plan_in_force(shop)
    key = (shop.pk, board_mark(in_force, changes_on(in_force)))
    found = _REMEMBERED.get(key)
    if found is None or time.monotonic() - found[0] > REMEMBERED_S:
        board, _, _ = actions.board_now(shop, at=timezone.now())
        for old in [one for one in _REMEMBERED if one[0] == shop.pk]:
            _REMEMBERED.pop(old, None)
        _REMEMBERED[key] = found = (time.monotonic(), board)
    return found[1]


def _effect(effect: dict[str, Any]) -> dict[str, Any]:
    for booking in effect["bookings"].values():
        booking["start"] = boarddata.minutes(booking["start"])
        booking["end"] = boarddata.minutes(booking["end"])
    return effect


def _not_read(form: BoardMove) -> HttpResponse:
    reasons = [sentence for sentences in form.errors.values() for sentence in sentences]
    return JsonResponse({"reasons": reasons}, status=422)


@require_POST
def change(request: PersonRequest) -> HttpResponse:
    """Make a move by hand."""
    try:
        policies.require(request.user, "plan-shop")
    except WrongPerson as wrong:
        return JsonResponse({"reasons": [wrong.sentence]}, status=403)
    form = BoardMove(request.POST)
    if not form.is_valid():
        return _not_read(form)
    wanted = {**form.values(), "pin": form.cleaned_data["pin"], "seen": form.cleaned_data["seen"]}
    try:
        _, effect = actions.change_board(
            form.cleaned_data["operation"], **wanted, by=request.user, at=timezone.now()
        )
    except Refusal as refusal:
        return JsonResponse({"reasons": [one.sentence for one in refusal.reasons]}, status=refusal.status)
    return JsonResponse(_effect(effect.to_json()))


@require_POST
def undo(request: PersonRequest) -> HttpResponse:
    """Take back the last move on the board."""
    try:
        whoever = request.POST.get("whoever", "true") != "false"
        undone = actions.undo_change(whoever=whoever, by=request.user, at=timezone.now())
    except Refusal as refusal:
        sentences = [one.sentence for one in refusal.reasons]
        if request.htmx or request.headers.get("Accept") == "application/json":
            not_yours = any(one.code == "not-yours" for one in refusal.reasons)
            return JsonResponse({"reasons": sentences, "not_yours": not_yours}, status=refusal.status)
        raise
    if request.headers.get("Accept") == "application/json":
        return JsonResponse({"undone": undone.operation, "by": undone.by.name, "did": DONE.get(undone.what, "moved")})
    messages.success(request, "The last move is taken back.")
    return redirect("plan-board")


@require_POST
def begin_now(request: PersonRequest) -> HttpResponse:
    """Let what should have begun begin as soon as it can, and go back to accepting."""
    _, effect = actions.begin_now(by=request.user, at=timezone.now())
    many = f"{len(effect.bookings)} operation{'s' if len(effect.bookings) > 1 else ''}"
    messages.success(request, f"{many} moved later. Undo on the board takes it back.")
    return redirect("plan-board-accept")


@require_http_methods(["GET", "POST"])
def accept(request: PersonRequest) -> HttpResponse:
    """Accept the board as it stands as the next version."""
    policies.require(request.user, "plan-shop")
    in_force = plan_in_force(request.user.shop)
    moves = changes_on(in_force)
    form = NoteForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.carried_out(actions.accept_board, by=request.user, at=timezone.now()):
        messages.success(request, f"Plan {form.outcome.version} is in force.")
        return redirect("plan-board")
    at = timezone.now()
    facts, stated = plans.stated_now(request.user.shop, at=at)
    zone = request.user.shop.zone
    board = Board(stated.problem, facts.bookings, stated.names, zone)
    clashing = [one for one in _orders(boarddata.drawn(board, facts), request) if one["clashing"]]
    told = [
        {"who": one.by.name, "at": moment(one.at, zone), "operation": board.called(one.operation),
         "done": _done(one, zone), "steps": steps}
        for one, steps in _sittings(moves)
    ]  # fmt: skip
    overdue = board.overdue()
    effect = carried_on(board) if overdue else None
    context = {"form": form, "moves": told, "clashing": clashing, "in_force": in_force,
               "overdue": [_begins(board, effect, key, zone) for key in overdue[:6]] if effect else [],
               "overdue_many": len(overdue), "effect": effect,
               "version": (in_force.version or 0) + 1
               if in_force is not None else 1}  # fmt: skip
    return render(request, "planning/board_accept.html", context, status=form.status)


def _sittings(changes: Iterable[Change]) -> list[tuple[Change, int]]:
    """Each move with how many it stands for: of one after the other that do the same to one operation, the last."""
    found: list[tuple[Change, int]] = []
    for change in changes:
        last, steps = found[-1] if found else (None, 0)
        alike = last is not None and (last.operation, last.what, last.by_id) == (
            change.operation, change.what, change.by_id)
        if alike and change.what == "extend":
            found[-1] = (change, steps + 1)
        else:
            found.append((change, 1))
    return found


def _begins(board: Board, effect: Effect, key: str, zone: ZoneInfo) -> str:
    """An operation that should have begun, and when it can: its people may have gone home by now."""
    stands = effect.bookings.get(key)
    called = board.called(key)
    when = f"can begin {moment(stands.start, zone)}" if stands is not None else "is pinned to a start that is over"
    return f"{called[:1].upper()}{called[1:]} {when}."


def _done(change: Change, zone: ZoneInfo) -> str:
    """A move by hand in words, after the operation's name."""
    if change.what == "unpin":
        return "let go"
    stands = change.after["bookings"].get(change.operation)
    at = moment(datetime.fromisoformat(stands["start"]), zone) if stands else ""
    minutes = change.after["facts"].get(change.operation, {}).get("minutes")
    if change.what == "extend":
        return f"{minutes} min long, from {at}"
    others = len(change.after["bookings"]) - 1
    with_it = f", and {others} other{'s' if others > 1 else ''} with it" if others > 0 else ""
    return f"{'pinned' if change.what == 'pin' else 'moved'} to {at}{with_it}"


@require_http_methods(["GET", "POST"])
def move(request: PersonRequest, number: str, code: str) -> HttpResponse:
    """Move one operation by a plain form: look at what it does first, or do it."""
    policies.require(request.user, "plan-shop")
    key = f"{number}/{code}"
    board, _, _ = actions.board_now(request.user.shop, at=timezone.now())
    if key not in board.stands:
        raise Http404("This operation has no place on the board.")
    stands = board.stands[key]
    initial = {"start": timezone.localtime(stands.start), "minutes": board.work[key].minutes,
               "pin": bool(board.work[key].pin), "push": True}  # fmt: skip
    form = MoveForm(board, key, request.POST if request.method == "POST" else None, initial=initial)
    effect = None
    if request.method == "POST" and not form.is_valid():
        form.status = 422
    elif request.method == "POST":
        values = {**form.cleaned_data, "swap": form.swap()}
        minutes = values["minutes"] if values["minutes"] != board.work[key].minutes else None
        wanted = {"start": values["start"], "swap": values["swap"], "minutes": minutes, "push": values["push"]}
        pin = values["pin"] if values["pin"] != bool(board.work[key].pin) else None
        try:
            if "look" in request.POST:
                effect = board.move(key, **wanted)
            else:
                actions.change_board(key, **wanted, pin=pin, by=request.user, at=timezone.now())
                messages.success(request, "Moved. The plan in force changes when the board is accepted.")
                return redirect("plan-board")
        except Refusal as refusal:
            form.take(refusal)
    name = board.called(key)
    context = {"form": form, "heading": name[:1].upper() + name[1:], "effect": effect, "key": key}
    return render(request, "planning/board_move.html", context, status=form.status)
