"""Who may call which API view, asked of the one table of policies before a body is read.

The action asks again; asking here first spares an upload that would be refused, and keeps a view from being
added without anyone saying who may use it.
"""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ImproperlyConfigured
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from jobs.people import policies
from jobs.people.models import Person

READ = "see-work"


class MayAct(BasePermission):
    """Reading needs `see-work` unless the view's `requires` says otherwise; every write must be named in it.

    `requires` maps the name of a view set's action, or else the method in small letters, to a policy.
    """

    def has_permission(self, request: Request, view: Any) -> bool:
        person = request.user
        if not isinstance(person, Person):
            return False
        policy = self.policy(request, view)
        if policy is not None:
            policies.require(person, policy)
        return True

    @staticmethod
    def policy(request: Request, view: Any) -> str | None:
        """The policy asked for, or None when the view does not answer this method at all (405 follows)."""
        method = str(request.method).lower()
        action = getattr(view, "action", method)
        requires: dict[str, str] = getattr(view, "requires", {})
        if action in requires:
            return requires[action]
        if request.method in SAFE_METHODS:
            return READ
        if action is None or not hasattr(view, method):
            return None
        raise ImproperlyConfigured(f"{type(view).__name__} does not say who may {action}")
