"""The door for a WSGI server: `gunicorn api.wsgi`."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

application = get_wsgi_application()

from api.database.rules import look_at_start  # noqa: E402 - Django must be set up first

look_at_start()
