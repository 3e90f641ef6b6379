"""What is typed about people."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm

from jobs.people.models import Person, Qualification, Role, RoleGrant, Skill
from jobs.web.forms import PageForm, day_field


class SignInForm(AuthenticationForm):
    """A name and a password, with a refusal that says what to do."""

    error_messages = {
        "invalid_login": (
            "This user name and password do not go together. Check both; capitals count. "
            "After ten wrong attempts the account waits a quarter of an hour."
        ),
        "inactive": "This account is closed. An administrator of your shop can open it again.",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"


class AddPersonForm(PageForm):
    username = forms.CharField(label="User name", max_length=60, help_text="What is typed at sign-in. It stays.")
    name = forms.CharField(label="Name", max_length=200, help_text="As it stands on sign-offs and job cards.")
    password = forms.CharField(
        label="First password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Ten characters or more.",
    )
    roles = forms.MultipleChoiceField(label="Roles", choices=Role.choices, widget=forms.CheckboxSelectMultiple)


class GrantRoleForm(PageForm):
    role = forms.ChoiceField(label="Role", choices=Role.choices)
    valid_from = day_field("From")
    valid_until = day_field("Until, inclusive", required=False, help_text="Empty: until it is ended.")


class GrantQualificationForm(PageForm):
    skill = forms.ModelChoiceField(label="Skill", queryset=Skill.objects.all())
    valid_from = day_field("From")
    valid_until = day_field("Until, inclusive", required=False, help_text="Empty: until it is ended.")
    evidence = forms.CharField(
        label="Evidence", max_length=200, required=False, help_text="Certificate, course or assessment."
    )


class EndRoleForm(PageForm):
    grant: forms.ModelChoiceField[RoleGrant]
    on = day_field("Last day")

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["grant"] = forms.ModelChoiceField(
            label="Role", queryset=person.grants.order_by("role"), empty_label=None
        )
        self.order_fields(["grant", "on", "reason"])


class EndQualificationForm(PageForm):
    grant: forms.ModelChoiceField[Qualification]
    on = day_field("Last day")
    reason = forms.CharField(label="Reason", max_length=300)

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["grant"] = forms.ModelChoiceField(
            label="Qualification", queryset=person.qualifications.select_related("skill", "person"), empty_label=None
        )
        self.order_fields(["grant", "on", "reason"])
