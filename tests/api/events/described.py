"""Events held against the description of their kind."""

from __future__ import annotations

import functools
import json
from typing import Any

import jsonschema

from api.conventions.schema import description
from api.events.feed import cloud_event, with_text
from sites.models import Event


def described(event: Event) -> None:
    """The event as a push of it would be, with telephone numbers and without, is what the description of its
    kind says: no less and no more."""
    for telephones in (True, False):
        (row,) = with_text(Event.objects.filter(pk=event.pk), telephones=telephones)
        row.uid, row.subject_number = row.uid or "0", row.subject_number or 1  # of one not published yet
        _validator(event.kind).validate(json.loads(cloud_event(row)))


@functools.cache
def _validator(kind: str) -> Any:
    whole = description()
    body = whole["webhooks"][kind]["post"]["requestBody"]["content"]["application/cloudevents+json"]
    return jsonschema.Draft202012Validator({**body["schema"], "components": whole["components"]})
