from django.apps import AppConfig


class FleetConfig(AppConfig):
    name = "jobs.fleet"
    label = "fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.fleet import registered  # noqa: F401
