"""The Django project: settings, addresses, worker application."""

from shopapp.celery import app as celery_app

__all__ = ["celery_app"]
