"""Addresses of the API, version 1; what each does stands in the `api.py` of its room."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path, re_path
from drf_spectacular.views import SpectacularJSONAPIView
from rest_framework.exceptions import NotFound
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.views import APIView

from jobs.errands.api import ErrandViewSet
from jobs.fleet.api import EngineTypeViewSet, EngineViewSet, UnitViewSet
from jobs.history.api import EntriesAboutView, EntryViewSet, VerificationView
from jobs.orders.api.findings import FindingViewSet, RaiseFindingView
from jobs.orders.api.orders import OrderViewSet, ProcedureViewSet
from jobs.orders.api.steps import (
    AcknowledgeView,
    ConfirmView,
    CorrectReadingView,
    NotNeededView,
    PhotosView,
    ReadingsView,
    StepListView,
    StepView,
)
from jobs.orders.api.traces import HandReadingsView, PhotoFileView, TraceFileView, TraceUploadView, TraceViewSet
from jobs.people.api import MeView, PersonViewSet, TokenBackView, TokenView
from jobs.planning.api.facts import AbsenceViewSet, HolidayViewSet, PlaceViewSet, RotaViewSet, ShiftPatternViewSet
from jobs.planning.api.plans import (
    AcceptBoardView,
    BeginNowView,
    BoardView,
    PlanningViewSet,
    PlanViewSet,
    PromiseView,
    UndoView,
)
from jobs.signoffs.api import (
    AskCardView,
    CardFileView,
    CardViewSet,
    ContentView,
    SignOffViewSet,
    SignView,
)
from jobs.tooling.api import CalibrationViewSet, InstrumentViewSet


class NoSuchAddress(APIView):
    """Whatever else is asked for below the API's root is answered as the API answers."""

    permission_classes = [AllowAny]
    authentication_classes = []
    schema = None

    def initial(self, request: Request, *args: object, **kwargs: object) -> None:
        raise NotFound("There is no such address in the API; /api/v1/schema/ describes those there are.")

    def get(self, request: Request) -> Response:
        raise NotFound


router = SimpleRouter(use_regex_path=False)
for prefix, view_set, name in (
    ("orders", OrderViewSet, "order"),
    ("procedures", ProcedureViewSet, "procedure"),
    ("findings", FindingViewSet, "finding"),
    ("traces", TraceViewSet, "trace"),
    ("signoffs", SignOffViewSet, "signoff"),
    ("cards", CardViewSet, "card"),
    ("instruments", InstrumentViewSet, "instrument"),
    ("calibrations", CalibrationViewSet, "calibration"),
    ("units", UnitViewSet, "unit"),
    ("engines", EngineViewSet, "engine"),
    ("engine-types", EngineTypeViewSet, "engine-type"),
    ("people", PersonViewSet, "person"),
    ("absences", AbsenceViewSet, "absence"),
    ("places", PlaceViewSet, "place"),
    ("shift-patterns", ShiftPatternViewSet, "shift-pattern"),
    ("rotas", RotaViewSet, "rota"),
    ("days-without-shifts", HolidayViewSet, "holiday"),
    ("plans", PlanViewSet, "plan"),
    ("plannings", PlanningViewSet, "planning"),
    ("errands", ErrandViewSet, "errand"),
    ("history", EntryViewSet, "entry"),
):
    router.register(prefix, view_set, basename=name)

STEP = "orders/<int:pk>/steps/<int:position>/"

app_name = "api"
urlpatterns: list[URLPattern | URLResolver] = [
    path("schema/", SpectacularJSONAPIView.as_view(), name="schema"),
    path("token/", TokenView.as_view(), name="token"),
    path("token/give-back/", TokenBackView.as_view(), name="token-give-back"),
    path("me/", MeView.as_view(), name="me"),
    path("history/verification/", VerificationView.as_view(), name="verification"),
    path("history/<str:type>/<str:key>/", EntriesAboutView.as_view({"get": "list"}), name="entries-about"),
    path("orders/<int:pk>/steps/", StepListView.as_view(), name="step-list"),
    path(STEP, StepView.as_view(), name="step"),
    path(STEP + "acknowledge/", AcknowledgeView.as_view(), name="step-acknowledge"),
    path(STEP + "confirm/", ConfirmView.as_view(), name="step-confirm"),
    path(STEP + "readings/", ReadingsView.as_view(), name="step-readings"),
    path(STEP + "photos/", PhotosView.as_view(), name="step-photos"),
    path(STEP + "not-needed/", NotNeededView.as_view(), name="step-not-needed"),
    path(STEP + "traces/", TraceUploadView.as_view(), name="step-traces"),
    path(STEP + "hand-readings/", HandReadingsView.as_view(), name="step-hand-readings"),
    path("orders/<int:pk>/findings/", RaiseFindingView.as_view(), name="order-findings"),
    path("orders/<int:pk>/content/", ContentView.as_view(), name="order-content"),
    path("orders/<int:pk>/signoffs/", SignView.as_view(), name="order-signoffs"),
    path("orders/<int:pk>/promise/", PromiseView.as_view(), name="order-promise"),
    path("plan-board/", BoardView.as_view(), name="plan-board"),
    path("plan-board/begin-now/", BeginNowView.as_view(), name="plan-board-begin-now"),
    path("plan-board/undo/", UndoView.as_view(), name="plan-board-undo"),
    path("plan-board/accept/", AcceptBoardView.as_view(), name="plan-board-accept"),
    path("orders/<int:pk>/cards/", AskCardView.as_view(), name="order-cards"),
    path("readings/<int:pk>/correct/", CorrectReadingView.as_view(), name="reading-correct"),
    path("traces/<uuid:pk>/file", TraceFileView.as_view(), name="trace-file"),
    path("photos/<int:pk>/file", PhotoFileView.as_view(), name="photo-file"),
    path("cards/<int:pk>/file", CardFileView.as_view(), name="card-file"),
    *router.urls,
    re_path(r"", NoSuchAddress.as_view(), name="no-such-address"),
]
