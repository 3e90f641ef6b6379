"""Addresses of this room."""

from django.urls import path

from jobs.signoffs import views

urlpatterns = [
    path("orders/<int:pk>/sign/<str:meaning>/", views.sign, name="sign"),
    path("orders/<int:pk>/card/", views.ask_card, name="ask-card"),
    path("signoffs/<int:pk>/", views.signoff, name="signoff"),
    path("cards/<int:pk>/", views.job_card, name="job-card"),
    path("cards/<int:pk>/file", views.job_card_file, name="job-card-file"),
    path("verify/<str:token>/", views.verify_card, name="verify-card"),
]
