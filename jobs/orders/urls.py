from django.urls import path

from jobs.orders.views import hand, listing, order, step, trace

urlpatterns = [
    path("orders/", listing.board_page, name="board"),
    path("orders.csv", listing.board_page, {"as_csv": True}, name="board-csv"),
    path("orders/new/", listing.order_new, name="work-order-new"),
    path("orders/<int:pk>/", order.work_order, name="work-order"),
    path("orders/<int:pk>/steps/<int:position>/", step.step, name="step"),
    path("orders/<int:pk>/steps/<int:position>/hand/", hand.hand, name="hand-readings"),
    path("orders/<int:pk>/<slug:action>/", order.work_order_act, name="work-order-act"),
    path("photos/<int:pk>/", step.photo, name="photo"),
    path("traces/<uuid:pk>/", trace.trace, name="trace"),
    path("traces/<uuid:pk>/plot.json", trace.plot, name="trace-plot"),
    path("traces/<uuid:pk>/file", trace.trace_file, name="trace-file"),
    path("traces/<uuid:pk>/analyse/", trace.analyse_again, name="trace-analyse"),
]
