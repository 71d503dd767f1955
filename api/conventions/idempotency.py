"""A write that is sent twice is done once: `Idempotency-Key`.

The answer to a write that carries a key is kept in the transaction of the change, so that one is never there
without the other. The same request with the same key is given that answer again. A key is the caller's own
for one method and address; what was sent with it must not differ."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final

from django.db import connection, transaction
from django.http import HttpResponse
from django.utils.crypto import salted_hmac
from rest_framework.request import Request
from rest_framework.response import Response

from sites.access.gates import NotFound
from sites.access.scope import Scope
from sites.access.selectors import Principal
from sites.models import KeptAnswer

from .problems import BAD_REQUEST, IN_PROGRESS, KEY_REUSED, ProblemError

HEADER: Final = "Idempotency-Key"
REPLAYED: Final = "Idempotency-Replayed"
WITHHELD: Final = "Idempotency-Withheld"
LONGEST_KEY: Final = 255
RETRY_AFTER_S: Final = 1
_KEY: Final = re.compile(rf"[!-~]{{1,{LONGEST_KEY}}}")
_KEPT_HEADERS: Final = ("ETag", "Location", "Cache-Control")

Act = Callable[..., Response]


def check_key(key: str, *, computes: bool) -> None:
    """Raise a 400 for a key that cannot be one, or that was sent with what writes nothing."""
    if computes:
        raise ProblemError(
            BAD_REQUEST,
            f"This computes and writes nothing, so it takes no {HEADER}: leave the header out, and send the "
            "request as often as you like.",
        )
    if not _KEY.fullmatch(key):
        raise ProblemError(
            BAD_REQUEST,
            f"{HEADER} must be 1 to {LONGEST_KEY} visible ASCII characters, such as a new UUID for each "
            f"request; this one has {len(key)} characters.",
        )


def once(
    act: Act, *, key: str, principal: Principal, renderer_context: Mapping[str, Any], shown_once: str
) -> Callable[..., HttpResponse]:
    """`act`, a method of a view, done once for the `key` of `principal`. `shown_once`: the field of its
    answer that is not kept.

    1. Try to take the key's lock, which lasts as long as the transaction.
    2. Look for an answer. The request that held the lock before has committed, so what it kept is seen. Where
       there is none, and another request holds the lock, that one is at work.
    3. Act, and keep the answer. What is refused raises, and leaves neither change nor answer.

    So the site's lock, which the change takes, is held until its answer is rendered and kept: two or three
    short statements longer than without a key. An answer that is kept after the COMMIT is missing where the
    process ends in between, and the retry would write a second time.
    """

    def act_once(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        sent = _Sent(request, key, principal)
        with transaction.atomic():
            locked = sent.lock()
            kept = sent.kept()
            if kept is not None and not kept.is_old:
                return _replay(kept, sent, shown_once)
            if not locked:
                raise ProblemError(
                    IN_PROGRESS,
                    f"A request with this {HEADER} is being answered now. Send it again to have its answer.",
                    headers={"Retry-After": str(RETRY_AFTER_S)},
                )
            if kept is not None:
                kept.delete()
            answer = act(request, *args, **kwargs)
            shown = {**answer.data, shown_once: None} if shown_once else answer.data
            body: Any = request.accepted_renderer.render(shown, request.accepted_media_type, renderer_context)
            sent.keep(answer, body)
        return answer

    return act_once


@dataclass(frozen=True)
class _Sent:
    """A request with a key."""

    request: Request
    key: str
    principal: Principal

    @property
    def caller(self) -> str:
        token = self.principal.token
        return f"user {self.principal.user.pk}" if token is None else f"token {token.pk}"

    @property
    def route(self) -> str:
        match = self.request._request.resolver_match  # noqa: SLF001 - the library's name for Django's request
        assert match is not None, "a view has an address"
        return f"{self.request.method} {match.route}"

    @property
    def payload_digest(self) -> str:
        """Digest of everything that tells this request from others. Keyed, since a body may hold a code of
        four digits."""
        django_request = self.request._request  # noqa: SLF001
        payload = [
            django_request.path,
            django_request.META.get("QUERY_STRING", ""),
            self.request.headers.get("If-Match"),
            self.request.data,
        ]
        text = json.dumps(payload, sort_keys=True)
        return salted_hmac("zonebook.idempotency", text, algorithm="sha256").hexdigest()

    def lock(self) -> bool:
        name = f"{self.caller}\n{self.route}\n{self.key}".encode()
        number = int.from_bytes(blake2b(name, digest_size=8).digest(), signed=True)
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [number])
            return bool(cursor.fetchone()[0])

    def kept(self) -> KeptAnswer | None:
        return KeptAnswer.objects.filter(caller=self.caller, route=self.route, key=self.key).first()

    def keep(self, answer: Response, body: bytes) -> None:
        scope = self.principal.scope
        KeptAnswer.objects.create(
            caller=self.caller,
            route=self.route,
            key=self.key,
            payload_digest=self.payload_digest,
            customer_ids=None if scope.customer_ids is None else sorted(scope.customer_ids),
            status=answer.status_code,
            headers={name: answer.headers[name] for name in _KEPT_HEADERS if name in answer.headers},
            body=body,
        )


def _replay(kept: KeptAnswer, sent: _Sent, secret: str) -> HttpResponse:
    if kept.payload_digest != sent.payload_digest:
        raise ProblemError(
            KEY_REUSED,
            f"This {HEADER} was sent before with another body, query, address or If-Match. Make a new key "
            "for a new request.",
        )
    if not _still_sees(kept, sent.principal.scope):
        raise NotFound  # the kept answer may be about a customer that is no longer granted
    headers = {**kept.headers, REPLAYED: "true", **({WITHHELD: secret} if secret else {})}
    answer = HttpResponse(
        bytes(kept.body), status=kept.status, headers=headers, content_type="application/json"
    )
    if not kept.body:
        del answer.headers["Content-Type"]
    return answer


def _still_sees(kept: KeptAnswer, scope: Scope) -> bool:
    if scope.customer_ids is None:
        return True
    return kept.customer_ids is not None and scope.customer_ids.issuperset(kept.customer_ids)
