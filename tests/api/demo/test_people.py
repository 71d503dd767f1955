"""The demo's users, and the door that has a code."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.demo.people import ensure_people
from sites.models import Secret
from tests import factories


@pytest.mark.django_db
def test_a_door_has_a_code_that_is_made_once_and_is_not_among_the_log_ins(tmp_path: Path) -> None:
    closet = factories.make_closet(factories.make_site(code="merrow-harbour"), name="MDF")
    first = ensure_people(tmp_path)
    (secret,) = Secret.objects.all()
    assert (secret.closet, secret.label, secret.kind) == (closet, "staff door", Secret.Kind.DOOR)
    assert ensure_people(tmp_path) == first
    assert Secret.objects.get().version == secret.version
    assert "staff door" not in (tmp_path / "demo-logins.json").read_text()


@pytest.mark.django_db
def test_without_that_closet_there_is_none(tmp_path: Path) -> None:
    ensure_people(tmp_path)
    assert not Secret.objects.exists()
