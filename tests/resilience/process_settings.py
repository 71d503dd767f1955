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
