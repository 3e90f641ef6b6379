"""Forms of this room: a password to sign with, a file to compare."""

from __future__ import annotations

from django import forms

from jobs.web.forms import PageForm


class SignForm(PageForm):
    """The password, and the digest of what the signer was shown."""

    password = forms.CharField(
        label="Your password",
        help_text="Asked each time you sign.",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
    seen_sha256 = forms.CharField(widget=forms.HiddenInput, min_length=64, max_length=64)


class CompareForm(PageForm):
    """A PDF that somebody holds, to be compared with the card that was filed."""

    file = forms.FileField(
        label="The PDF you hold", widget=forms.ClearableFileInput(attrs={"accept": "application/pdf"})
    )
