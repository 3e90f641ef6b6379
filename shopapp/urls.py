"""Addresses: each room's own, the API, and in DEBUG the specimen of everything drawn."""

from django.conf import settings
from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("jobs.people.urls")),
    path("", include("jobs.fleet.urls")),
    path("", include("jobs.tooling.urls")),
    path("", include("jobs.errands.urls")),
    # Before the orders: theirs end in a word that would take `card` for something to do with an order.
    path("", include("jobs.planning.urls")),
    path("", include("jobs.signoffs.urls")),
    path("", include("jobs.orders.urls")),
    path("", include("jobs.history.urls")),
    path("api/v1/", include("shopapp.api", namespace="api")),
]

if settings.DEBUG:
    from jobs.web.specimen import specimen, specimen_plot

    urlpatterns += [
        path("specimen/", specimen, name="specimen"),
        path("specimen/plot.json", specimen_plot, name="specimen-plot"),
    ]

handler400 = "shopapp.handlers.bad_request"
handler403 = "shopapp.handlers.denied"
handler404 = "shopapp.handlers.not_found"
handler500 = "shopapp.handlers.server_error"
