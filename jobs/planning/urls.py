"""Addresses of the plan: the board and its versions, the facts it stands on, and what comes out of it."""

from django.urls import include, path

urlpatterns = [
    path("", include("jobs.planning.urls_facts")),
    path("", include("jobs.planning.urls_out")),
    path("", include("jobs.planning.urls_plan")),
]
