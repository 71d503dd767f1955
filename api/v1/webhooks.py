"""The `webhooks` of the description: what a subscription sends, one entry for each kind of event."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.generators import SchemaGenerator
from rest_framework.request import Request

from api.conventions import problems
from zones.findings.event_kinds import EventKind

from .event_bodies import DATA, SAID

CONTENT_TYPE: Final = "application/cloudevents+json"
_SECURITY: Final = "pushSignature"
_HEADERS: Final = {
    "webhook-id": "The `id` of the event: the same however often it is sent.",
    "webhook-timestamp": (
        "When this attempt was made, in seconds since 1970. Refuse what is older than five minutes."
    ),
    "webhook-signature": (
        "`v1,` and the HMAC-SHA256, in base64, of `webhook-id.webhook-timestamp.body` under the secret of "
        "the subscription; while a secret is being replaced, two with a space between them."
    ),
}


def add_webhooks(
    result: dict[str, Any],
    generator: SchemaGenerator,  # noqa: ARG001 - the signature of a hook
    request: Request | None,  # noqa: ARG001
    public: bool,  # noqa: ARG001
) -> dict[str, Any]:
    """A hook: adds the webhooks, and a schema for the event of each kind."""
    schemas = result["components"]["schemas"]
    result["components"]["securitySchemes"][_SECURITY] = {
        "type": "apiKey",
        "in": "header",
        "name": "webhook-signature",
        "description": "Standard Webhooks 1.0.0: the receiver checks it with the secret of the subscription.",
    }
    for kind in EventKind:
        name = _name(kind)
        schemas[f"{name}Data"] = DATA[kind]
        schemas[name] = event_schema(schemas["Event"], kind, {"$ref": f"#/components/schemas/{name}Data"})
    result["webhooks"] = {str(kind): {"post": _webhook(kind)} for kind in EventKind}
    return result


def event_schema(event: dict[str, Any], kind: EventKind, data: dict[str, Any]) -> dict[str, Any]:
    """The CloudEvent of a kind. event: that of any kind."""
    return {
        **event,
        "description": f"{SAID[kind]}.",
        "properties": {**event["properties"], "type": {"const": str(kind)}, "data": data},
    }


def _webhook(kind: EventKind) -> dict[str, Any]:
    return {
        "operationId": f"push_{str(kind).replace('.', '_')}",
        "summary": SAID[kind],
        "description": (
            "Sent to the `url` of each subscription that has this kind and whose owner sees the customer. "
            "Answer within 15 seconds, and do the work afterwards."
        ),
        "tags": ["webhooks"],
        "security": [{_SECURITY: []}],
        "parameters": [
            {
                "name": name,
                "in": "header",
                "required": True,
                "schema": {"type": "string"},
                "description": text,
            }
            for name, text in _HEADERS.items()
        ],
        "requestBody": {
            "required": True,
            "content": {CONTENT_TYPE: {"schema": {"$ref": f"#/components/schemas/{_name(kind)}"}}},
        },
        "responses": {
            "2XX": {"description": "Taken: it is not sent again."},
            str(problems.GONE.status): {"description": "The subscription is switched off."},
            "default": {
                "description": (
                    "Not taken: it is sent again, eleven times in three days. `Retry-After` is kept to."
                )
            },
        },
    }


def _name(kind: EventKind) -> str:
    """Name of the component of a kind of event: ``CaseOpenedEvent``."""
    return "".join(word.capitalize() for word in str(kind).replace(".", "_").split("_")) + "Event"
