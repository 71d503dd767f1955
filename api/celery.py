"""The Celery application: it only says "look now"; the database is the queue (DEVELOPERS.md)."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

app = Celery("zonebook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["zones.recheck"])
