from django.apps import AppConfig


class PeopleConfig(AppConfig):
    name = "jobs.people"
    label = "people"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.people import registered  # noqa: F401
