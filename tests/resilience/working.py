"""The Celery application of the service, whose workers stop at a step where they are asked to.

celery -A tests.resilience.working worker
"""

import django

django.setup()

from api.celery import app  # noqa: E402 - Django must be set up first
from tests.resilience.pausing import pause_where_asked  # noqa: E402

__all__ = ["app"]

pause_where_asked()
