"""What is asked for on the pages that come out of the plan."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Q

from jobs.fleet.models import Unit
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.planning.models import Feed, Place
from jobs.web.forms import PageForm, day_field


class DayForm(forms.Form):
    """Whose day, and which."""

    who: forms.ModelChoiceField[Person]
    on = day_field("Day", required=False)

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = Person.objects.filter(shop=asking.shop, is_active=True)
        self.fields["who"] = forms.ModelChoiceField(
            label="Who", queryset=people, required=False, empty_label="everybody"
        )
        self.order_fields(["on", "who"])


class WeeksForm(forms.Form):
    """How many weeks."""

    weeks = forms.IntegerField(label="Weeks", required=False, min_value=1, max_value=104, localize=False)


class FeedForm(PageForm):
    """Which calendar a link is for."""

    what = forms.ChoiceField(label="Plan of")

    def __init__(self, asking: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["what"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = _subjects(asking)

    def clean(self) -> dict[str, Any]:
        values = dict(super().clean() or self.cleaned_data)
        kind, _, key = str(values.pop("what", "")).partition("-")
        return {**values, "kind": kind, "key": key}


def _subjects(asking: Person) -> list[tuple[str, list[tuple[str, str]]]]:
    """Bays, people and units of the shop, oneself first."""
    shop = asking.shop
    people = sorted(Person.objects.filter(shop=shop, is_active=True), key=lambda one: (one.pk != asking.pk, one.name))
    working = WorkOrder.objects.filter(shop=shop).exclude(
        state__in=[WorkOrder.State.CLOSED, WorkOrder.State.CANCELLED]
    )
    units = Unit.objects.filter(Q(home_shop=shop) | Q(pk__in=working.values("unit"))).order_by("number")
    places = Place.objects.filter(shop=shop)
    return [
        ("People", [(f"{Feed.Kind.PERSON}-{one.pk}", one.name) for one in people]),
        ("Bays and cranes", [(f"{Feed.Kind.PLACE}-{one.pk}", one.name) for one in places]),
        ("Units", [(f"{Feed.Kind.UNIT}-{one.pk}", one.number) for one in units]),
    ]
