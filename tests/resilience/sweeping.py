"""A sweeper, as ``manage.py sweep`` is one, that stops at a step, or cannot compute a site, where it is asked
to.

python -m tests.resilience.sweeping [--loop]
"""

import sys

import django

django.setup()

from django.core.management import execute_from_command_line  # noqa: E402 - Django must be set up first

from tests.resilience.pausing import pause_where_asked  # noqa: E402
from tests.resilience.spoiling import spoil_where_asked  # noqa: E402

pause_where_asked()
spoil_where_asked()
execute_from_command_line(["manage.py", "sweep", *sys.argv[1:]])
