from django.urls import path

from jobs.tooling import views

urlpatterns = [
    path("instruments/", views.instruments, name="instruments"),
    path("instruments.csv", views.instruments, {"as_csv": True}, name="instruments-csv"),
    path("instruments/new/", views.instrument_new, name="instrument-new"),
    path("instruments/<int:pk>/", views.instrument, name="instrument"),
    path("instruments/<int:pk>/calibrate/", views.calibrate, name="instrument-calibrate"),
    path("instruments/<int:pk>/withdraw/", views.withdraw, name="instrument-withdraw"),
    path("instruments/<int:pk>/return/", views.put_back, name="instrument-return"),
    path("calibrations/<int:pk>/", views.calibration, name="calibration"),
]
