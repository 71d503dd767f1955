"""How a receiver knows that a push is ours, and whole: Standard Webhooks 1.0.0
(https://www.standardwebhooks.com, specification 1.0.0), symmetric signatures."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
from collections.abc import Sequence
from typing import Final

PREFIX: Final = "whsec_"
# The specification takes 24 to 64
SECRET_BYTES: Final = 32
_FEWEST_BYTES, _MOST_BYTES = 24, 64


def make_secret() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def headers_of(message_id: str, at_s: int, body: bytes, *, signed_with: Sequence[str]) -> dict[str, str]:
    """The headers of a push. signed_with: while a secret is being replaced, both; a receiver accepts a push
    with either signature. at_s: Unix time of this attempt, since old ones are refused."""
    content = b"%s.%d.%s" % (message_id.encode(), at_s, body)
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(at_s),
        "webhook-signature": " ".join(f"v1,{_signature(secret, content)}" for secret in signed_with),
    }


def _signature(secret: str, content: bytes) -> str:
    return base64.b64encode(hmac.new(_key(secret), content, hashlib.sha256).digest()).decode()


def _key(secret: str) -> bytes:
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("this is not a secret of a subscription") from error
    if not (secret.startswith(PREFIX) and _FEWEST_BYTES <= len(key) <= _MOST_BYTES):
        raise ValueError("this is not a secret of a subscription")
    return key
