"""The drawn components and figures for templates: `{% load drawn %}`.

Each component is one template in `templates/components/`; what it shows is in `jobs.web.components`, where its
lines go in `jobs.web.drawing`. The SVGs carry their colours as presentation attributes, so that the same markup
is right on paper, where no style sheet reaches into a drawing; on screen the classes take over.
"""

from __future__ import annotations

from typing import Any

from django import template
from django.template.defaultfilters import stringfilter
from django.urls import reverse

from jobs.web.components import drawings, fields, listing, records
from jobs.web.figures import deg, deg_plain, mm, number, true_minus, verdict_word
from jobs.web.http import came_from

register = template.Library()

register.filter("deg", deg)
register.filter("deg_plain", deg_plain)
register.filter("mm", mm)
register.filter("verdict_word", verdict_word)
register.filter("verdict_of", drawings.verdict_of)
register.filter("came_from", came_from)
register.filter("minus", stringfilter(true_minus), is_safe=True)


@register.filter(name="number")
def number_filter(value: Any, places: int = 3) -> str:
    return number(value, places)


@register.simple_tag
def signed(value: Any, places: int = 3) -> str:
    return number(value, places, signed=True)


@register.simple_tag
def errand_url(errand: Any) -> str:
    return reverse("errand", args=[errand.pk])


register.inclusion_tag("components/interval_mark.html")(drawings.interval_mark)
register.inclusion_tag("components/interval_mark.html")(drawings.interval_mark_of)
register.inclusion_tag("components/timing_circle.html")(drawings.timing_circle)
register.inclusion_tag("components/sweep_plot.html")(drawings.sweep_plot)
register.inclusion_tag("components/sweep_plot_scripts.html")(drawings.sweep_plot_scripts)
register.inclusion_tag("components/title_block.html", takes_context=True)(records.title_block)
register.inclusion_tag("components/caution.html")(records.caution)
register.inclusion_tag("components/caution.html")(records.caution_of)
register.inclusion_tag("components/state_word.html")(records.state_word)
register.inclusion_tag("components/state_line.html")(records.state_line)
register.inclusion_tag("components/due_mark.html")(records.due_mark)
register.inclusion_tag("components/errand.html")(records.errand_block)
register.inclusion_tag("components/field.html")(fields.field)
register.inclusion_tag("components/form_errors.html")(fields.form_errors)
register.inclusion_tag("components/reasons.html")(fields.reasons)
register.inclusion_tag("components/reading_field.html")(fields.reading_field)
register.inclusion_tag("components/pagination.html", takes_context=True)(listing.pagination)
register.inclusion_tag("components/sort_header.html", takes_context=True)(listing.sort_header)
register.inclusion_tag("components/filter_form.html", takes_context=True)(listing.filter_form)
register.inclusion_tag("components/empty_page.html")(listing.empty_page)
register.inclusion_tag("components/nav.html", takes_context=True)(listing.navigation)
