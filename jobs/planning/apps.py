from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "jobs.planning"
    label = "planning"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.planning import panels, registered  # noqa: F401
