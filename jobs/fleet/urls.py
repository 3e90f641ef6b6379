from django.urls import path

from jobs.fleet import views

urlpatterns = [
    path("units/", views.units, name="units"),
    path("units.csv", views.units, {"as_csv": True}, name="units-csv"),
    path("units/<int:pk>/", views.unit, name="unit"),
    path("engines/<int:pk>/", views.engine, name="engine"),
]
