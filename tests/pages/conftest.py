"""A browser, a server for it, and pages in one scheme and at one width."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from typing import Any, Final

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from playwright.sync_api import Browser, BrowserContext, sync_playwright

from sites.models import User
from tests.conftest import missing

FLAGS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium (the Debian package chromium)."""
    program = shutil.which("chromium")
    if program is None:
        missing("chromium")
    # Playwright's loop runs in this thread, where Django then takes every query for one of a coroutine
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def window(browser: Browser, live_server: Any) -> Iterator[Callable[..., BrowserContext]]:
    """Makes a window of the width, of `user` where one is given; scripts: whether JavaScript runs in it."""
    made: list[BrowserContext] = []

    def make(user: User | None = None, *, width: int = 1280, scripts: bool = True) -> BrowserContext:
        context = browser.new_context(
            base_url=live_server.url, viewport={"width": width, "height": 800}, java_script_enabled=scripts
        )
        if user is not None:
            client = Client()
            client.force_login(user)
            name = settings.SESSION_COOKIE_NAME
            context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])
        made.append(context)
        return context

    yield make
    for context in made:
        context.close()
    # A request that the browser gave up may hold its connection yet, and other tests wait to be alone
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT pg_terminate_backend(pid) FROM pg_stat_activity
               WHERE datname = current_database() AND pid <> pg_backend_pid()
                 AND backend_type = 'client backend'"""
        )
