from django.urls import path

from jobs.errands import views

urlpatterns = [path("errands/<uuid:pk>/", views.errand, name="errand")]
