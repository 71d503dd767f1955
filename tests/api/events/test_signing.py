"""Signatures of pushes, as receivers check them."""

from __future__ import annotations

import base64
import re
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from api.events.signing import headers_of, make_secret

README = Path(__file__).resolve().parents[3] / "README.md"
BODY = '{"specversion":"1.0","data":{"title":"Quay 9: 1.83 A — limit 1.60 A"}}'.encode()


def now() -> int:
    return int(time.time())


def test_the_receivers_library_takes_them() -> None:
    secret = make_secret()
    said = Webhook(secret).verify(BODY, headers_of("b9a7", now(), BODY, signed_with=[secret]))
    assert said["data"]["title"] == "Quay 9: 1.83 A — limit 1.60 A"


def test_while_a_secret_is_replaced_both_are_taken() -> None:
    new, old = make_secret(), make_secret()
    headers = headers_of("b9a7", now(), BODY, signed_with=[new, old])
    Webhook(new).verify(BODY, headers)
    Webhook(old).verify(BODY, headers)
    with pytest.raises(WebhookVerificationError, match="No matching signature"):
        Webhook(make_secret()).verify(BODY, headers)


@pytest.mark.parametrize("changed", ["webhook-id", "webhook-timestamp", "body"])
def test_any_change_on_the_way_shows(changed: str) -> None:
    secret, body = make_secret(), BODY
    headers = headers_of("b9a7", now(), BODY, signed_with=[secret])
    if changed == "body":
        body = body.replace(b"1.83", b"1.38")
    else:
        headers[changed] = {"webhook-id": "b9a8", "webhook-timestamp": str(now() + 2)}[changed]
    with pytest.raises(WebhookVerificationError, match="No matching signature"):
        Webhook(secret).verify(body, headers)


def test_openssl_signs_alike() -> None:
    """The signature is HMAC-SHA256 over id.timestamp.body, in base64, by the bytes behind whsec_."""
    key = bytes(range(24))
    secret = "whsec_" + base64.b64encode(key).decode()
    headers = headers_of("msg_1", 1614265330, b'{"test": 2432232314}', signed_with=[secret])
    signed = subprocess.run(
        ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{key.hex()}", "-binary"],
        input=b'msg_1.1614265330.{"test": 2432232314}',
        capture_output=True,
        check=True,
    ).stdout
    assert headers == {
        "webhook-id": "msg_1",
        "webhook-timestamp": "1614265330",
        "webhook-signature": f"v1,{base64.b64encode(signed).decode()}",
    }


def test_secrets_are_long_random_and_marked() -> None:
    secrets = {make_secret() for _ in range(50)}
    assert len(secrets) == 50
    for secret in secrets:
        assert secret.startswith("whsec_")
        assert 24 <= len(base64.b64decode(secret.removeprefix("whsec_"))) <= 64


def test_what_readme_shows_takes_them_and_no_others() -> None:
    (shown,) = re.findall(r"```python\n(import base64.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    names: dict[str, Any] = {}
    exec(shown, names)
    secret, other = make_secret(), make_secret()
    headers = headers_of("b9a7", now(), BODY, signed_with=[other, secret])
    assert names["verify"](secret, headers, BODY)
    assert not names["verify"](make_secret(), headers, BODY)
    assert not names["verify"](secret, headers, BODY + b" ")
    assert not names["verify"](secret, {**headers, "webhook-id": "b9a8"}, BODY)
    old = headers_of("b9a7", now() - 400, BODY, signed_with=[secret])
    assert not names["verify"](secret, old, BODY)


@pytest.mark.parametrize("bad", ["", "whsec_", "whsec_!", "whsec_c2hvcnQ=", "x" * 44])
def test_what_is_no_secret_signs_nothing(bad: str) -> None:
    with pytest.raises(ValueError, match="not a secret of a subscription"):
        headers_of("1", 1, b"", signed_with=[bad])
