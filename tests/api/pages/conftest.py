"""Browsers and users of pages."""

from __future__ import annotations

import pytest
from django.test import Client

from sites.models import User
from tests.api.conftest import Caller


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)
