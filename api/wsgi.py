"""WSGI application, which `gunicorn --config python:api.server.config` serves."""

import os
import sys

from django.core.exceptions import ImproperlyConfigured
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")
CANNOT_START = 4  # gunicorn's word for an application that cannot be loaded: it starts no other worker

try:
    application = get_wsgi_application()

    from api.database.limits import use_interactive
    from api.database.rules import look_at_start
    from api.monitoring.environment import say_what_it_is

    use_interactive()
    look_at_start()
    say_what_it_is()
except ImproperlyConfigured as error:
    # What the operator can put right is said in a line
    print(f"zonebook: error: {error}", file=sys.stderr)  # noqa: T201
    raise SystemExit(CANNOT_START) from None

from django.urls import get_resolver  # noqa: E402 - Django must be set up first

from api.server.garbage import look_between_answers  # noqa: E402

_ = get_resolver().url_patterns  # load all views now instead of at the first request
look_between_answers()
