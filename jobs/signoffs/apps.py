from django.apps import AppConfig


class SignoffsConfig(AppConfig):
    name = "jobs.signoffs"
    label = "signoffs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.signoffs import panels, receivers, registered, tasks  # noqa: F401
