"""README's commands that back up a given PostgreSQL and restore it, run as they stand there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
from django.conf import settings
from django.db import connection
from psycopg import sql

from api.events import publisher
from sites.models import Block, Closet
from tests.halls import Hall, make_hall

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        not settings.DATABASE_IS_GIVEN or not os.environ.get("DATABASE_OWNER_URL"),
        reason="the embedded server has commands of its own: needs DATABASE_URL and DATABASE_OWNER_URL",
    ),
]


def of_owner(database: str) -> str:
    return urlunsplit(urlsplit(os.environ["DATABASE_OWNER_URL"])._replace(path=f"/{database}"))


def of_service(database: str) -> str:
    return urlunsplit(urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{database}"))


def commands(restored: str) -> list[str]:
    """The commands of README, with the tests' addresses. The owner, who may create databases here, stands in
    for the superuser."""
    owner = settings.DATABASES["owner"]["USER"]
    text = (Path(settings.BASE_DIR) / "README.md").read_text(encoding="utf-8")
    block = text.partition("**Backup and restore.**")[2].split("```")[1]
    for said, meant in (
        ("postgres://zonebook_owner:…@host/zonebook", of_owner(connection.settings_dict["NAME"])),
        ("postgres://zonebook_owner:…@host/restored", of_owner(restored)),
        ("postgres://zonebook:…@host/restored", of_service(restored)),
        ("postgres://postgres@host/postgres", of_owner("postgres")),
        (
            "DATABASE restored OWNER zonebook_owner",
            f"DATABASE {restored} OWNER {owner}",
        ),
        (" manage.py", f" {sys.executable} {settings.BASE_DIR}/manage.py"),
    ):
        assert said in block, said
        block = block.replace(said, meant)
    assert "…" not in block
    return block.strip().splitlines()


@pytest.fixture
def restored() -> Iterator[str]:
    """The name of a database, which is dropped if it was made."""
    name = f"restored_{uuid.uuid4().hex[:12]}"
    yield name
    with psycopg.connect(of_owner("postgres"), autocommit=True) as session:
        session.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def counts(database: str) -> dict[str, int]:
    """How many rows each table has."""
    with psycopg.connect(of_owner(database)) as session:
        names = [
            name for (name,) in session.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
        ]
        found = {}
        for name in names:
            row = session.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(name))).fetchone()
            assert row is not None
            found[name] = row[0]
    return found


def test_the_commands_of_the_readme_restore_a_given_database(
    closet: Closet, block: Block, restored: str, tmp_path: Path
) -> None:
    hall: Hall = make_hall(closet, block)
    publisher.publish()
    epoch = publisher.feed_now().epoch
    environment = {"PATH": os.environ["PATH"], "ZONEBOOK_DATA": str(tmp_path / "data")}

    def run(command: str, **more: str) -> str:
        done = subprocess.run(
            ["bash", "-c", command], cwd=tmp_path, env=environment | more, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    *restore, migrate = commands(restored)
    for command in restore:
        run(command)
    before = counts(restored)
    assert before == counts(connection.settings_dict["NAME"])
    assert before["point"] >= len(hall.points) > 0
    assert "No migrations to apply." in run(migrate)
    assert counts(restored) == before

    there = {"DATABASE_URL": of_service(restored), "DATABASE_OWNER_URL": of_owner(restored)}
    manage = f"{sys.executable} {settings.BASE_DIR}/manage.py"
    run(f"{manage} migrate --check", **there)
    run(f"{manage} sweep", **there)
    (of_restored,) = re.findall(r"Epoch ([0-9a-f-]{36}), ", run(f"{manage} feed status", **there))
    assert of_restored != str(epoch), "a cursor from before would be taken"
