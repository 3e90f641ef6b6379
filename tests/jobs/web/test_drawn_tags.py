"""What the drawn components say, in words and in markup."""

from __future__ import annotations

import re
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest
from django import forms
from django.core.paginator import Paginator
from django.template import Context, Template, TemplateSyntaxError
from django.test import RequestFactory

from jobs.web.figures import number, verdict_word

TODAY = date(2026, 3, 16)


def drawn(source: str, query: str = "", **context: Any) -> str:
    request = RequestFactory().get("/orders/" + query)
    return Template("{% load drawn %}" + source).render(Context({"request": request, **context}))


def text(markup: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<title>.*?</title>|<[^>]+>", " ", markup, flags=re.S)).strip()


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0312, "+0.031"),
        (-0.5, "−0.500"),
        (-0.0001, "0.000"),
        ("2", "+2.000"),
        (None, "–"),
        ("", "–"),
        (float("nan"), "–"),
    ],
)
def test_a_figure_has_fixed_decimals_and_a_true_minus(value: Any, said: str) -> None:
    assert number(value, signed=True) == said


def test_a_verdict_that_is_none_of_ours_is_no_result() -> None:
    assert verdict_word("conforming") == "conforming"
    assert verdict_word("") == verdict_word(None) == verdict_word("no-result") == "no result"


@pytest.mark.parametrize(
    ("arguments", "lie", "word"),
    [
        ('0.031 0.042 0.25 "conforming"', "inside", "conforming"),
        ('0.241 0.06 0.25 "undecided"', "straddling", "undecided"),
        ('-0.462 0.041 0.25 "nonconforming"', "outside", "nonconforming"),
        ('None None 0.25 "no-result"', "empty", "no result"),
        ('0.031 0.042 0.25 "no-result"', "empty", "no result"),
    ],
)
def test_an_interval_mark_has_its_word_beside_it(arguments: str, lie: str, word: str) -> None:
    markup = drawn("{% interval_mark " + arguments + " %}")
    assert f'data-lie="{lie}"' in markup
    assert text(markup).startswith(word)
    assert ("<circle" in markup) == (lie != "empty")


def test_an_interval_mark_says_when_it_is_off_the_scale() -> None:
    markup = drawn('{% interval_mark 5.318 0.044 0.25 "nonconforming" %}')
    assert "off the scale: 21.3 times the limit" in text(markup)
    assert "Off the scale, drawn behind the broken line." in markup


def test_without_its_word_the_mark_says_it_in_the_alternative() -> None:
    markup = drawn('{% interval_mark 0.1 0.05 0.25 "conforming" words=False name="as-found" %}')
    assert 'aria-label="as-found: conforming. +0.100° ± 0.050°, limit ±0.250°.' in markup
    assert "<strong>" not in markup


@pytest.mark.parametrize(
    "source",
    [
        '{% interval_mark 0.1 0.05 0.25 "conforming" %}',
        '{% timing_circle 140 0.25 "clockwise" "driving end" as_found=found %}',
    ],
)
def test_a_drawing_carries_its_colours_with_it(source: str) -> None:
    markup = drawn(source, found={"deviation_deg": 0.6, "expanded_uncertainty_deg": 0.04, "verdict": "nonconforming"})
    shapes = re.findall(r"<(?:path|circle|rect|text)\b[^>]*>", markup)
    assert shapes
    groups = re.findall(r"<g\b[^>]*>", markup)
    assert any('fill="#' in part or 'stroke="#' in part for part in shapes + groups)
    assert "style=" not in markup


def test_a_timing_circle_names_rotation_end_and_scale() -> None:
    found = {"deviation_deg": 0.612, "expanded_uncertainty_deg": 0.041, "verdict": "nonconforming"}
    said = text(drawn('{% timing_circle 140 0.25 "clockwise" "driving end" as_found=found %}', found=found))
    assert "clockwise, seen from the driving end" in said
    assert "angles drawn 50 times as large" in said
    assert "+0.612° ± 0.041°, nonconforming" in said
    assert "as-left not measured yet" in said


def test_a_timing_circle_to_scale_says_so() -> None:
    found = {"deviation_deg": -179.8, "expanded_uncertainty_deg": 0.05, "verdict": "nonconforming"}
    assert "angles to scale" in drawn('{% timing_circle 0 0.25 "clockwise" "x" as_found=f %}', f=found)


def test_no_result_is_not_drawn_on_the_circle() -> None:
    found = {"deviation_deg": 0.1, "expanded_uncertainty_deg": 0.05, "verdict": "no-result"}
    markup = drawn('{% timing_circle 0 0.25 "clockwise" "x" as_found=f %}', f=found)
    assert 'data-stage="as-found"' not in markup
    assert "as-found no result" in text(markup)


def test_a_stage_without_a_trace_is_not_measured_yet() -> None:
    markup = drawn('{% timing_circle 0 0.25 "clockwise" "x" as_found=f.analysis as_left=None %}', f=None)
    assert "as-found not measured yet; as-left not measured yet" in markup


def test_a_title_block_shows_mandatory_gaps_and_leaves_out_the_rest() -> None:
    said = text(drawn('{% title_block identification="BY-1" title="Timing job" %}'))
    assert "Identification number BY-1" in said
    assert "Approval person none" in said
    assert "Technical reference" not in said


def test_a_title_block_takes_owner_and_department_from_the_shop() -> None:
    shop = SimpleNamespace(name="Brackwater Yard", railway="Strathlune & Western")
    said = text(drawn('{% title_block identification="BY-1" title="Timing job" %}', shop=shop))
    assert "Responsible department Brackwater Yard" in said
    assert "Legal owner Strathlune &amp; Western" in said


def test_a_title_block_refuses_a_field_that_it_does_not_have() -> None:
    with pytest.raises(TemplateSyntaxError, match="does not know colour"):
        drawn('{% title_block identification="BY-1" title="x" colour="red" %}')


@pytest.mark.parametrize("word", ["danger", "WARNING", "caution", "notice"])
def test_a_caution_says_its_word_and_what_comes_first(word: str) -> None:
    markup = drawn("{% caution word 'hot oil' 'burns' 'wait' %}", word=word)
    said = text(markup)
    assert said.startswith(word.upper())
    assert "hot oil burns wait" in said
    assert "Local rules, the maker's manual and authorised practice come first." in said
    assert f'data-level="{word.lower()}"' in markup
    assert ("sign-field" in markup) == (word != "notice")  # the alert symbol stands for injury, not for damage


def test_a_caution_refuses_a_word_of_no_standard() -> None:
    with pytest.raises(TemplateSyntaxError, match="does not know the signal word"):
        drawn("{% caution 'beware' 'a' 'b' 'c' %}")


@pytest.mark.parametrize(
    ("due", "said"),
    [
        (date(2026, 3, 15), "2026-03-15 overdue by 1 day"),
        (date(2026, 3, 16), "2026-03-16 due today"),
        (date(2026, 4, 15), "2026-04-15 due in 30 days"),
        (date(2026, 4, 16), "2026-04-16 in date"),
        (None, "no calibration"),
    ],
)
def test_a_due_mark_says_in_words_how_it_stands(due: date | None, said: str) -> None:
    assert text(drawn('{% due_mark due today what="calibration" %}', due=due, today=TODAY)) == said


def test_a_held_order_says_from_what_and_why() -> None:
    order = SimpleNamespace(state="held", held_from="in-work", held_reason="no probe", cancelled_reason="")
    assert text(drawn("{% state_word order reason=True %}", order=order)) == "held, was in work: no probe"
    line = drawn("{% state_line order %}", order=order)
    assert re.search(r'data-place="now"><span>in work', line)
    assert "Held while in work: no probe" in re.sub(r"</?strong>", "", line)


class Typed(forms.Form):
    shift = forms.DecimalField(label="Ring shift", help_text="Along the rim.", widget=forms.TextInput)


def test_a_field_ties_its_help_and_error_to_the_input() -> None:
    form = Typed({"shift": "0,2 inch"})
    form.is_valid()
    markup = drawn('{% field form.shift unit="mm" %}', form=form)
    described = re.search(r'aria-describedby="([^"]+)"', markup)
    assert described
    assert all(f'id="{one}"' in markup for one in described[1].split())
    assert 'aria-invalid="true"' in markup
    assert 'value="0,2 inch"' in markup
    assert markup.count("aria-describedby=") == 1


def test_what_was_typed_is_never_taken_for_markup() -> None:
    markup = drawn("{% reading_field name='entered' label='Shift' value=value error='No.' %}", value='"><script>')
    assert "<script>" not in markup
    assert "&quot;&gt;&lt;script&gt;" in markup


def test_a_reading_field_states_its_limits() -> None:
    markup = drawn("{% reading_field name='e' label='Shift' unit='mm' low='-25.0000' high='25.5000' %}")
    assert "Within −25 to 25.5 mm" in text(markup)
    assert 'inputmode="decimal"' in markup


def test_pages_keep_the_filter() -> None:
    page = Paginator(range(812), 50).get_page(2)
    markup = drawn("{% pagination page %}", query="?state=held&page=2", page=page)
    assert "51 to 100 of 812" in text(markup)
    assert 'href="?state=held&amp;page=3"' in markup


def test_a_sorted_column_sorts_the_other_way_and_starts_over() -> None:
    markup = drawn('{% sort_header "Needed by" "needed_by" %}', query="?sort=needed_by&page=4&state=held")
    assert 'aria-sort="ascending"' in markup
    assert 'href="?sort=-needed_by&amp;state=held"' in markup


class Filter(forms.Form):
    state = forms.CharField(required=False)


def test_a_filter_offers_the_export_of_what_is_shown() -> None:
    form = Filter({"state": "held"})
    markup = drawn('{% filter_form form export="/orders.csv" %}', query="?state=held&page=3&sort=unit", form=form)
    assert 'href="/orders.csv?state=held&amp;sort=unit"' in markup
    assert '<input type="hidden" name="sort" value="unit">' in markup
    assert 'href="/orders/">Show all' in markup


def errand(state: str, **more: Any) -> SimpleNamespace:
    told = {"attempts": 1, "attempts_allowed": 3, "reason": "", "progress_note": "", "progress_total": 0}
    key = "00000000-0000-0000-0000-000000000007"
    ended = state in {"done", "failed"}
    return SimpleNamespace(pk=key, state=state, ended=ended, finished_at=None, **{**told, **more})


@pytest.mark.parametrize(("state", "polls"), [("queued", True), ("running", True), ("done", False), ("failed", False)])
def test_an_errand_polls_until_it_has_ended(state: str, polls: bool) -> None:
    markup = drawn("{% errand_block errand what='Analysis' result_url='/traces/1/' %}", errand=errand(state))
    assert ("hx-get" in markup) == polls
    assert ("Look again" in markup) == polls
    assert ("/traces/1/" in markup) == (state in {"done", "failed"})


def test_a_failed_errand_says_why() -> None:
    failed = errand("failed", reason="line 12: not a number")
    assert "line 12: not a number" in text(drawn("{% errand_block errand %}", errand=failed))


def test_an_errand_gives_its_reason_with_a_true_minus() -> None:
    for state in ("failed", "queued"):
        markup = drawn("{% errand_block errand what='Analysis' %}", errand=errand(state, reason="It steps by -0.5 mm."))
        assert "It steps by −0.5 mm." in markup


def test_a_sweep_that_is_not_used_says_why_with_a_true_minus() -> None:
    sweep = {"direction": "forward", "used": False, "reason": "It ends at -0.5 mm."}
    markup = drawn("{% sweep_plot '/plot/' 'a.csv' result=result %}", result={"sweeps": [sweep]})
    assert "no: It ends at −0.5 mm." in markup
