"""The demo's receiver takes what is signed right, and nothing else."""

from __future__ import annotations

import time

import pytest

from api.demo.receiver import Receiver
from api.events.signing import headers_of, make_secret

BODY = b'{"id": "e-1"}'


@pytest.fixture
def receiver() -> Receiver:
    receiver = Receiver(9)
    receiver.secret = make_secret()
    return receiver


def test_what_is_signed_with_its_secret_is_taken(receiver: Receiver) -> None:
    # Ours signs as the receivers' own library expects: tests/api/events/test_signing.py
    headers = headers_of("e-1", int(time.time()), BODY, signed_with=[make_secret(), receiver.secret])
    assert receiver.take(headers, BODY) == 204
    assert receiver.taken == {"e-1": {"id": "e-1"}}


@pytest.mark.parametrize(
    ("changed", "body"),
    [
        ({}, b'{"id": "e-2"}'),
        ({"webhook-id": "e-2"}, BODY),
        ({"webhook-signature": "v1,AAAA"}, BODY),
        ({"webhook-signature": ""}, BODY),
        ({"webhook-timestamp": "0"}, BODY),
        ({"webhook-timestamp": "soon"}, BODY),
    ],
)
def test_anything_else_is_refused(receiver: Receiver, changed: dict[str, str], body: bytes) -> None:
    headers = headers_of("e-1", int(time.time()), BODY, signed_with=[receiver.secret]) | changed
    assert receiver.take(headers, body) == 401
    assert (receiver.taken, receiver.refused) == ({}, 1)


def test_an_old_one_is_refused(receiver: Receiver) -> None:
    headers = headers_of("e-1", int(time.time()) - 301, BODY, signed_with=[receiver.secret])
    assert receiver.take(headers, BODY) == 401
