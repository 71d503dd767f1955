"""The door for a WSGI server: `gunicorn api.wsgi`."""

import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

application = get_wsgi_application()

from django.urls import get_resolver  # noqa: E402 - Django must be set up first

from api.database.rules import look_at_start  # noqa: E402

look_at_start()

# All that answers is loaded now instead of at the first request. It stays until the end, so the search for
# garbage leaves it out: an answer of some thousand items sets that off several times, and each time it would
# go through every module, for a quarter of the time of such an answer
_ = get_resolver().url_patterns
gc.collect()
gc.freeze()
