"""WSGI application: `gunicorn api.wsgi`."""

import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

application = get_wsgi_application()

from django.urls import get_resolver  # noqa: E402 - Django must be set up first

from api.database.rules import look_at_start  # noqa: E402

look_at_start()

# Load all views now instead of at the first request, and freeze them: otherwise the garbage collector, which
# an answer of some thousand items starts several times, visits every module, for a quarter of that answer's
# time
_ = get_resolver().url_patterns
gc.collect()
gc.freeze()
