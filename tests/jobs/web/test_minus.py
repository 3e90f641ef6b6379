"""A true minus sign (U+2212) where a sentence made elsewhere shows a negative figure."""

from __future__ import annotations

import pytest
from django.template import Context, Template
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
