"""The Celery application: ``celery -A shared.celery``."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.settings")

app = Celery("jambwise")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
