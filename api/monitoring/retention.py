"""What is kept for a time only, and then deleted by the sweep."""

from __future__ import annotations

import time
from typing import Final

from django.utils import timezone

from api.events.deliveries.finished import forget_tests
from api.events.deliveries.order import start_orphans
from api.events.publisher import KEPT_FOR, forget_events
from sites.models import KeptAnswer

EVERY_S: Final = 600.0
_next_s = 0.0


def forget_old() -> None:
    """A chore of the sweep, done every ten minutes: delete answers and events that are kept no longer."""
    global _next_s
    if time.monotonic() >= _next_s:
        _next_s = time.monotonic() + EVERY_S
        KeptAnswer.objects.filter(made_at__lte=timezone.now() - KeptAnswer.KEPT_FOR).delete()
        forget_events()
        forget_tests(timezone.now() - KEPT_FOR)
        start_orphans()
