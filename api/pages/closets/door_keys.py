"""The key in the address on a door label: who reads it learns nothing of the closet, and nobody can make one.

A closet's id and eight zero bytes are one AES block, encrypted under a key derived from a field key. So a key
takes no table, is always the same for a closet, and one that somebody guessed passes once in 2^64. Labels
hang for years: they lead on after the field keys change, as long as the one they were printed under is still
among them.
"""

from __future__ import annotations

import binascii
import hmac
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterator
from typing import Final

from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES256
from cryptography.hazmat.primitives.ciphers.modes import ECB
from django.conf import settings

_PURPOSE: Final = b"zonebook door label"
_ZEROS: Final = bytes(8)
_PADDING: Final = "=="
"""Padding of 16 bytes in base64; addresses leave it out."""


def key_of(closet_id: int) -> str:
    """The key of a closet, 22 characters, under the first field key."""
    cipher = next(_ciphers()).encryptor()
    block = cipher.update(_ZEROS + closet_id.to_bytes(8, "big")) + cipher.finalize()
    return urlsafe_b64encode(block).decode().removesuffix(_PADDING)


def closet_id_of(key: str) -> int | None:
    """The closet of a key; None: it is the key of none."""
    try:
        block = urlsafe_b64decode(f"{key}{_PADDING}".encode("ascii"))
    except (binascii.Error, UnicodeEncodeError):
        return None
    if len(block) != 16:
        return None
    for one in _ciphers():
        cipher = one.decryptor()
        plain = cipher.update(block) + cipher.finalize()
        if plain.startswith(_ZEROS):
            return int.from_bytes(plain[8:], "big")
    return None


def _ciphers() -> Iterator[Cipher[ECB]]:
    """A cipher for each field key. ECB encrypts a single block."""
    for field_key in settings.FIELD_KEYS:
        derived = hmac.digest(urlsafe_b64decode(field_key), _PURPOSE, "sha256")
        yield Cipher(AES256(derived), ECB())  # noqa: S305 - a single block
