"""Settings of the processes that these tests start and kill: those of the service, on the test's database."""

import os

from kombu.entity import Queue

from api.settings import *  # noqa: F403 - settings are what a module has
from api.settings import DATABASES

_NAME = os.environ["ZONEBOOK_TESTED_DATABASE"]
for _database in DATABASES.values():
    _database["NAME"] = _NAME
CELERY_TASK_DEFAULT_QUEUE = os.environ["ZONEBOOK_TESTED_QUEUE"]
CELERY_TASK_QUEUES = [Queue(CELERY_TASK_DEFAULT_QUEUE, expires=600)]  # a broker forgets it after the test
PUSH_TIMEOUT_S = float(os.environ.get("ZONEBOOK_TESTED_PUSH_TIMEOUT_S", "15"))
PUSH_TIME_SCALE = float(os.environ.get("ZONEBOOK_TESTED_PUSH_SCALE", "1"))
