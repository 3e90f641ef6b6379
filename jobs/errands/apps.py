from django.apps import AppConfig


class ErrandsConfig(AppConfig):
    name = "jobs.errands"
    label = "errands"
    default_auto_field = "django.db.models.BigAutoField"

