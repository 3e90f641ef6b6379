from django.apps import AppConfig


class ToolingConfig(AppConfig):
    name = "jobs.tooling"
    label = "tooling"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.tooling import registered  # noqa: F401
