from django.apps import AppConfig


class OrdersConfig(AppConfig):
    name = "jobs.orders"
    label = "orders"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.orders import panels, registered  # noqa: F401
