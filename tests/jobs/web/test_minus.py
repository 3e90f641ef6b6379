"""A true minus sign (U+2212) where a sentence made elsewhere shows a negative figure."""

from __future__ import annotations

import pytest
from django import forms
from django.template import Context, Template
from django.template.loader import render_to_string
from django.utils.safestring import mark_safe
from hypothesis import given
from hypothesis import strategies as st

from jobs.web.figures import true_minus


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("The lift steps by -0.0053 mm.", "The lift steps by −0.0053 mm."),
        ("(-4.9) and -.5 and -1,5", "(−4.9) and −.5 and −1,5"),
        ("±-3, =-2 °C", "±−3, =−2 °C"),
        ("1.2e-05", "1.2e−05"),
        ("-7", "−7"),
        ("PR-07 due 2026-07-01, steps 3-5, as-found, MR-2610-PR-07", None),
        ("lift_mm is not a plain number: 'oops -0.5'.", None),
        ("The probe's lag is -2 ms and the encoder's -3 ms.", "The probe's lag is −2 ms and the encoder's −3 ms."),
        ("12:00-05:00", None),
    ],
)
def test_only_what_stands_for_minus_becomes_one(written: str, shown: str | None) -> None:
    assert true_minus(written) == (written if shown is None else shown)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=4), st.sampled_from(["", "by ", "(", "to ", "\n"]))
def test_any_negative_figure_is_shown_with_a_true_minus(value: object, before: str) -> None:
    written = f"{before}{value:f} mm"
    assert true_minus(written) == written.replace("-", "−")
    assert true_minus(true_minus(written)) == true_minus(written)


def test_the_filter_escapes_what_is_not_safe_and_leaves_what_is() -> None:
    template = Template("{% load drawn %}{{ one|minus }} {{ other|minus }}")
    assert template.render(Context({"one": "<b>-1", "other": mark_safe("<b>-1</b>")})) == "&lt;b&gt;−1 <b>−1</b>"


class Shift(forms.Form):
    entered = forms.CharField()

    def clean(self) -> None:
        self.add_error("entered", "It must lie within -0.02 and 0.02 mm.")
        self.add_error(None, "The lift steps by -0.0053 mm.")


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        ("{% form_errors form %}", ["steps by −0.0053 mm", "within −0.02 and 0.02 mm"]),
        ("{% field form.entered %}", ["within −0.02 and 0.02 mm"]),
        ("{% reasons why %}", ["MR-2610-PR-07 reads −4.9 mm on 2026-07-01."]),
        ("{% reading_field name='e' label='Shift' error=why.0 %}", ["MR-2610-PR-07 reads −4.9 mm on 2026-07-01."]),
    ],
)
def test_refusals_show_a_true_minus_wherever_they_stand(source: str, shown: list[str]) -> None:
    context = {"form": Shift({"entered": "-0.5"}), "why": ["MR-2610-PR-07 reads -4.9 mm on 2026-07-01."]}
    markup = Template("{% load drawn %}" + source).render(Context(context))
    for sentence in shown:
        assert sentence in markup
    assert 'value="−' not in markup  # what was typed stays as it was typed


class Said(str):
    level_tag = "success"


def test_a_message_shows_a_true_minus() -> None:
    page = render_to_string("base.html", {"messages": [Said("The reading of -4.9 mm is recorded.")]})
    assert "The reading of −4.9 mm is recorded." in page
