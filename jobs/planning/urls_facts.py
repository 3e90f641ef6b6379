from django.urls import URLPattern, path

from jobs.planning.views import absences, facts, patterns

urlpatterns: list[URLPattern] = [
    path("plan/facts/", facts.shop_facts, name="plan-facts"),
    path("plan/facts/places/new/", facts.place_new, name="plan-place-new"),
    path("plan/facts/places/<int:pk>/", facts.place, name="plan-place"),
    path("plan/facts/patterns/new/", patterns.pattern_new, name="plan-pattern-new"),
    path("plan/facts/patterns/<int:pk>/", patterns.pattern, name="plan-pattern"),
    path("plan/facts/rotas/new/", facts.rota_new, name="plan-rota-new"),
    path("plan/facts/rotas/<int:pk>/", facts.rota, name="plan-rota"),
    path("plan/facts/days/new/", facts.holiday_new, name="plan-holiday-new"),
    path("plan/facts/days/<int:pk>/", facts.holiday, name="plan-holiday"),
    path("plan/facts/hours/<int:pk>/", facts.hours, name="plan-hours"),
    path("plan/absences/", absences.absences, name="plan-absences"),
    path("plan/absences.csv", absences.absences, {"as_csv": True}, name="plan-absences-csv"),
    path("plan/absences/new/", absences.absence_new, name="plan-absence-new"),
    path("plan/absences/import/", absences.absences_import, name="plan-absences-import"),
    path("plan/absences/<int:pk>/withdraw/", absences.absence_withdraw, name="plan-absence-withdraw"),
]
