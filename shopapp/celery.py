"""The Celery application. Only the production set starts it; see jobs/errands for why it is never the memory."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shopapp.settings")
app = Celery("midflank")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
