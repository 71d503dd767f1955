"""What kind of service this is: a server that is neither in production nor a demo says so as it starts."""

from __future__ import annotations

import structlog
from django.conf import settings

_said = False


def say_what_it_is() -> None:
    """Log it once: workers that are forked later know that it was said."""
    global _said
    if _said or settings.ENVIRONMENT != "local":
        return
    _said = True
    structlog.get_logger(__name__).warning(
        "this server is not in production: it takes http, makes its own keys and shows more than it should. "
        "Set ZONEBOOK_ENVIRONMENT=production (README.md, Deployment, says what that needs)",
        environment=settings.ENVIRONMENT,
        keys_and_files=str(settings.DATA_DIR),
        database="given" if settings.DATABASE_IS_GIVEN else "embedded",
    )
