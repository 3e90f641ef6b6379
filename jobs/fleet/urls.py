from django.urls import path

from jobs.fleet import views

urlpatterns = [
    path("units/", views.units, name="units"),
    path("units.csv", views.units, {"as_csv": True}, name="units-csv"),
    path("units/new/", views.unit_new, name="unit-new"),
    path("units/<int:pk>/", views.unit, name="unit"),
    path("units/<int:pk>/install/", views.engine_install, name="engine-install"),
    path("engines/new/", views.engine_new, name="engine-new"),
    path("engines/<int:pk>/", views.engine, name="engine"),
    path("engines/<int:pk>/remove/", views.engine_remove, name="engine-remove"),
]
