from django.urls import URLPattern, path

from jobs.planning.views import board, minutes, plans

urlpatterns: list[URLPattern] = [
    path("plan/", board.board_page, name="plan-board"),
    path("plan/board.json", board.data, name="plan-board-data"),
    path("plan/board/try/", board.try_move, name="plan-board-try"),
    path("plan/board/change/", board.change, name="plan-board-change"),
    path("plan/board/undo/", board.undo, name="plan-board-undo"),
    path("plan/board/begin-now/", board.begin_now, name="plan-board-begin-now"),
    path("plan/board/accept/", board.accept, name="plan-board-accept"),
    path("plan/board/move/<slug:number>/<slug:code>/", board.move, name="plan-move"),
    path("plan/ask/", plans.ask, name="plan-ask"),
    path("plan/trouble/", plans.trouble, name="plan-trouble"),
    path("plan/asked/<int:pk>/", plans.asked, name="plan-asked"),
    path("plan/alternatives/<int:pk>/accept/", plans.accept, name="plan-accept"),
    path("plan/versions/", plans.versions, name="plan-versions"),
    path("plan/versions/<int:pk>/", plans.version, name="plan-version"),
    path("plan/minutes/", minutes.minutes, name="plan-minutes"),
    path("plan/promise/<int:pk>/", plans.promise, name="plan-promise"),
]
