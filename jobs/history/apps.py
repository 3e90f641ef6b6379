from django.apps import AppConfig


class HistoryConfig(AppConfig):
    name = "jobs.history"
    label = "history"
    default_auto_field = "django.db.models.BigAutoField"
