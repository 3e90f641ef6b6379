from django.urls import path

from jobs.history import views

urlpatterns = [
    path("history/", views.history, name="history"),
    path("history/verify/", views.ledger_verify, name="ledger-verify"),
    path("history.csv", views.history_csv, name="history-csv"),
    path("history/<str:type>/<str:key>.csv", views.history_of_csv, name="history-of-csv"),
    path("history/<str:type>/<str:key>/", views.history_of, name="history-of"),
]
