"""The addresses of a DEBUG installation, for the tests of the specimen page."""

from django.urls import URLPattern, URLResolver, path

from jobs.web.specimen import specimen, specimen_plot
from shopapp.urls import urlpatterns as real

urlpatterns: list[URLPattern | URLResolver] = [
    path("specimen/", specimen),
    path("specimen/plot.json", specimen_plot),
    *real,
]
