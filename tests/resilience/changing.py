"""A process that makes one change through a service, as a request does, and says how long its commit took.

python -m tests.resilience.changing SITE_ID ZONE_NAME
"""

import sys
import time

import django
import structlog

django.setup()

from sites.changes.services import Change  # noqa: E402
from sites.models.changes import ChangeSet  # noqa: E402 - Django must be set up first
from zones.recheck import nudge  # noqa: E402
from zones.services.zones import zone_add  # noqa: E402

change = Change(
    site_id=int(sys.argv[1]),
    user=None,
    actor="Tom Reed",
    reason="a new zone",
    channel=ChangeSet.Channel.COMMAND,
)
structlog.contextvars.bind_contextvars(request_id=f"change of {sys.argv[2]}")
# Django and Celery load what they need with the first change
zone_add(change, name=f"{sys.argv[2]} warm-up")
began = time.perf_counter()
zone_add(change, name=sys.argv[2])
print(f"{time.perf_counter() - began:.3f}")

# A busy machine may need longer than the two seconds a command waits at its end
if nudge._publisher is not None:
    nudge._publisher.finish(60.0)
