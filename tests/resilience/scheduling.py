"""A process that only turns time, and figures of an older solver, into marks, on and on, as a sweeper does
between its batches.

python -m tests.resilience.scheduling
"""

import threading

import django

django.setup()

from tests.resilience.pausing import end_with_parent  # noqa: E402 - Django must be set up first
from zones.recheck.recheck_queue import mark_outdated, raise_due  # noqa: E402

end_with_parent()
while True:
    raise_due()
    mark_outdated()
    threading.Event().wait(0.005)
