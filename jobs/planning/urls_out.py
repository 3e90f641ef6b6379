from django.urls import URLPattern, path

from jobs.planning.views import feeds, out, worth

urlpatterns: list[URLPattern] = [
    path("plan/day/", out.day, name="plan-day"),
    path("plan/load/", out.load_of_weeks, name="plan-load"),
    path("plan/load.csv", out.load_of_weeks, {"as_csv": True}, name="plan-load-csv"),
    path("plan/promises/", out.promises, name="plan-promises"),
    path("plan/promises.csv", out.promises, {"as_csv": True}, name="plan-promises-csv"),
    path("plan/worth/", worth.worth_of_one_more, name="plan-worth"),
    path("plan/feeds/", feeds.links, name="plan-feeds"),
    path("plan/feeds/<int:pk>/renew/", feeds.renew, name="plan-feed-renew"),
    path("plan/feeds/<str:token>.ics", feeds.calendar, name="plan-feed"),
]
