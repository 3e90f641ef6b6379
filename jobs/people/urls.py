from django.urls import path

from jobs.people import views

urlpatterns = [
    path("", views.home, name="home"),
    path("sign-in/", views.SignIn.as_view(), name="sign-in"),
    path("sign-out/", views.SignOut.as_view(), name="sign-out"),
    path("people/", views.people, name="people"),
    path("people.csv", views.people, {"as_csv": True}, name="people-csv"),
    path("people/new/", views.person_new, name="person-new"),
    path("people/<int:pk>/", views.person, name="person"),
]
