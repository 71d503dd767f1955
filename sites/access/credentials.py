"""What a token looks like: a prefix by which a leaked one is found in logs and files, 256 random bits, and a
checksum of both. The checksum is not a secret and guards nothing: it tells a cut or mistyped token from one
that was never made, without a look at the database. Older tokens have none."""

from __future__ import annotations

import hashlib
import re
import secrets
import string
import zlib
from typing import Final

PREFIX: Final = "zbk_"
RANDOM_LENGTH: Final = 43  # 256 bits in characters of 6
CHECK_LENGTH: Final = 6  # the 32 bits of a CRC in characters of base 62
_DIGITS: Final = string.digits + string.ascii_uppercase + string.ascii_lowercase
_SHAPE: Final = re.compile(rf"({PREFIX}[A-Za-z0-9_-]{{{RANDOM_LENGTH}}})([A-Za-z0-9]{{{CHECK_LENGTH}}})?")


def make_secret() -> str:
    text = PREFIX + secrets.token_urlsafe(32)
    return text + checksum(text)


def checksum(text: str) -> str:
    """The CRC-32 of a text in base 62, the first digit first."""
    rest, digits = zlib.crc32(text.encode()), ""
    for _ in range(CHECK_LENGTH):
        rest, digit = divmod(rest, len(_DIGITS))
        digits = _DIGITS[digit] + digits
    return digits


def digest_of(secret: str) -> str:
    """SHA-256 of the whole secret, in hexadecimal: what is kept, and what a secret is found by."""
    return hashlib.sha256(secret.encode()).hexdigest()


def fault_of(text: str) -> str:
    """Why a text cannot be a token, in a sentence that repeats nothing of it; blank: it can be one."""
    if not text.startswith(PREFIX):
        return f"A token begins with {PREFIX}, and this does not."
    found = _SHAPE.fullmatch(text)
    if found is None:
        return (
            f"This is not a whole token: after {PREFIX} come {RANDOM_LENGTH + CHECK_LENGTH} letters, digits, "
            f"- and _ (in older tokens {RANDOM_LENGTH}). Copy it once more."
        )
    if found[2] is not None and found[2] != checksum(found[1]):
        return (
            f"This token has a typing error: its last {CHECK_LENGTH} characters do not fit the others. Copy "
            "it once more."
        )
    return ""
