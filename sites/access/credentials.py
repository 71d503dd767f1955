"""What a token looks like: 256 random bits behind a prefix by which a leaked one is found in logs and
files."""

from __future__ import annotations

import hashlib
import re
import secrets
from typing import Final

PREFIX: Final = "zbk_"
_SHAPE: Final = re.compile(r"zbk_[A-Za-z0-9_-]{43}")


def make_secret() -> str:
    return PREFIX + secrets.token_urlsafe(32)


def digest_of(secret: str) -> str:
    """SHA-256 of the whole secret, in hexadecimal: what is kept, and what a secret is found by."""
    return hashlib.sha256(secret.encode()).hexdigest()


def looks_like_token(text: str) -> bool:
    return _SHAPE.fullmatch(text) is not None
