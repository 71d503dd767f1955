"""Settings: safe without any variable, and no start in production with what is missing or wrong."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from cryptography.fernet import Fernet

ROOT = Path(__file__).resolve().parents[2]
FIELD_KEY = Fernet.generate_key().decode()
PLANNING = "-c random_page_cost=1.1 -c enable_mergejoin=off -c jit=off -c work_mem=16MB"
PRODUCTION = {
    "ZONEBOOK_ENVIRONMENT": "production",
    "ZONEBOOK_SECRET_KEY": "a key of the tests, longer than the fifty characters that are asked for",
    "ZONEBOOK_FIELD_KEYS": FIELD_KEY,
    "DATABASE_URL": "postgres://service@db.example/zonebook",
}


def read(expression: str, data_dir: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """What `expression` is in a process of its own with these variables alone."""
    return subprocess.run(
        [sys.executable, "-c", f"from api import settings; print({expression})"],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], "ZONEBOOK_DATA": str(data_dir), **variables},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"ZONEBOOK_SECRET_KEY": ""}, "ZONEBOOK_SECRET_KEY is not set"),
        ({"ZONEBOOK_FIELD_KEYS": ""}, "ZONEBOOK_FIELD_KEYS is not set"),
        ({"ZONEBOOK_DEBUG": "on"}, "ZONEBOOK_DEBUG is on"),
        ({"ZONEBOOK_SECRET_KEY": "abcde" * 9 + "abcd"}, "it has 49 characters, 5 of them different"),
        ({"ZONEBOOK_SECRET_KEY": "abcd" * 20}, "it has 80 characters, 4 of them different"),
        ({"ZONEBOOK_FIELD_KEYS": ","}, "ZONEBOOK_FIELD_KEYS holds no key"),
        ({"ZONEBOOK_ALLOWED_HOSTS": "zonebook.example,*"}, "ZONEBOOK_ALLOWED_HOSTS holds *"),
        ({"ZONEBOOK_HTTPS_ONLY": "off"}, "ZONEBOOK_HTTPS_ONLY is off"),
        ({"ZONEBOOK_FIELD_KEYS": f"{FIELD_KEY},short"}, "key 2 is not a Fernet key"),
        ({"ZONEBOOK_ENVIRONMENT": "live"}, "expected local, demo, test or production"),
        ({"DATABASE_URL": "sqlite:///here.db"}, "expected a PostgreSQL address"),
        ({"ZONEBOOK_LOG_FORMAT": "xml"}, "expected json or console"),
        ({"ZONEBOOK_LOG_LEVEL": "loud"}, "ZONEBOOK_LOG_LEVEL=LOUD: expected DEBUG, INFO"),
        ({"DATABASE_URL": "here"}, "expected a PostgreSQL address"),
        ({"DATABASE_CONN_MAX_AGE_S": "long"}, "DATABASE_CONN_MAX_AGE_S=long: expected a whole number"),
        ({"ZONEBOOK_REQUESTS_PER_MINUTE": "-1"}, "expected a whole number such as 1200"),
        ({"ZONEBOOK_HSTS_SECONDS": "1h"}, "expected a whole number such as 3600"),
        ({"ZONEBOOK_HTTPS_ONLY": "maybe"}, "ZONEBOOK_HTTPS_ONLY=maybe: expected on or off"),
        ({"DATABASE_URL": "postgres://a:secret@db:port/z"}, "DATABASE_URL: expected a PostgreSQL address"),
        ({"ZONEBOOK_CACHE_URL": "here"}, "ZONEBOOK_CACHE_URL: expected an address such as redis://"),
        ({"CELERY_BROKER_URL": "sqs://"}, "CELERY_BROKER_URL: expected an address such as redis://"),
        ({"ZONEBOOK_THREADS": "0"}, "ZONEBOOK_THREADS=0: expected a whole number such as 4, from 1"),
        ({"ZONEBOOK_PUSH_HTTP": "perhaps"}, "ZONEBOOK_PUSH_HTTP=perhaps: expected on or off"),
        (
            {"ZONEBOOK_PUSH_PORTS": "443,https"},
            "ZONEBOOK_PUSH_PORTS=443,https: expected whole numbers from 1 to",
        ),
        ({"ZONEBOOK_PUSH_PORTS": "65536"}, "from 1 to 65535 with commas between them, such as 443,8443"),
        (
            {"ZONEBOOK_PUSH_NETWORKS": "10.20.0.1/16"},
            "10.20.0.1/16 is not a network (10.20.0.1/16 has host bits set)",
        ),
        # (2^31 - 1) ms and no more are 2,147,483 s
        ({"ZONEBOOK_PUSH_NETWORKS": "10.20.0.0/16,0.0.0.0/0"}, "0.0.0.0/0 is every address there is"),
        ({"ZONEBOOK_PUSH_NETWORKS": "::/0"}, "::/0 is every address there is"),
        ({"ZONEBOOK_STATEMENT_TIMEOUT_S": "2147484"}, "such as 10, from 0 to 2147483"),
        ({"ZONEBOOK_CLAIM_TIMEOUT_S": "99999999"}, "such as 45, from 1 to 9999999"),
        ({"ZONEBOOK_SECRET_KEY": "django-insecure-" + "abcdefg" * 9}, "begins with django-insecure-"),
        ({"ZONEBOOK_ALLOWED_HOSTS": "zonebook.example, *"}, "ZONEBOOK_ALLOWED_HOSTS holds *"),
        ({"ZONEBOOK_ALLOWED_HOSTS": "https://zonebook.example"}, "is not a host name"),
        ({"ZONEBOOK_ALLOWED_HOSTS": "zonebook.example:443"}, "zonebook.example:443 is not a host name"),
        ({"ZONEBOOK_TRUSTED_ORIGINS": "zonebook.example"}, "is not an origin such as https://"),
        ({"ZONEBOOK_TRUSTED_ORIGINS": "https://*.example"}, "is not an origin such as https://"),
        ({"ZONEBOOK_CACHE_URL": "dummycache://"}, "ZONEBOOK_CACHE_URL: expected an address such as redis://"),
        ({"ZONEBOOK_CACHE_URL": "redis://:pw@h:x/1"}, "ZONEBOOK_CACHE_URL: expected an address such as"),
        ({"CELERY_BROKER_URL": "redis://h:x/1"}, "CELERY_BROKER_URL: expected an address such as redis://"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, changed: dict[str, str], said: str) -> None:
    answer = read("0", tmp_path, **(PRODUCTION | changed))
    assert answer.returncode != 0
    assert "ImproperlyConfigured" in answer.stderr
    assert said in answer.stderr


def test_production_starts_with_what_it_needs(tmp_path: Path) -> None:
    answer = read("(settings.SERVICE_ROLE, settings.SESSION_COOKIE_SECURE)", tmp_path, **PRODUCTION)
    assert answer.stdout.strip() == "('service', True)", answer.stderr
    assert list(tmp_path.iterdir()) == []


def test_spaces_between_names_are_no_part_of_them(tmp_path: Path) -> None:
    given = {"ZONEBOOK_ALLOWED_HOSTS": " localhost , .zonebook.example,"}
    answer = read("settings.ALLOWED_HOSTS", tmp_path, **PRODUCTION, **given)
    assert answer.stdout.strip() == "['localhost', '.zonebook.example']", answer.stderr


def test_passwords_are_kept_by_argon2(tmp_path: Path) -> None:
    make = "import_module('django.contrib.auth.hashers').make_password('three-quiet-horns')"
    named = PRODUCTION | {"DJANGO_SETTINGS_MODULE": "api.settings"}
    answer = read(f"__import__('importlib').{make}", tmp_path, **named)
    assert answer.stdout.startswith("argon2$argon2id$"), answer.stderr


def test_a_frozen_sweeper_loses_its_claims_within_a_minute(tmp_path: Path) -> None:
    assert 0 < int(read("settings.CLAIM_TIMEOUT_S", tmp_path).stdout) < 60


def test_a_key_may_begin_with_a_dollar(tmp_path: Path) -> None:
    key = "$" + PRODUCTION["ZONEBOOK_SECRET_KEY"]
    answer = read("settings.SECRET_KEY", tmp_path, **(PRODUCTION | {"ZONEBOOK_SECRET_KEY": key}))
    assert answer.stdout.strip() == key, answer.stderr


def test_the_token_of_a_demo_is_for_a_demo(tmp_path: Path) -> None:
    given = {"ZONEBOOK_DEMO_TOKEN": "zbk_shown"}
    assert read("settings.DEMO_TOKEN", tmp_path, **given).stdout == "zbk_shown\n"
    assert read("settings.DEMO_TOKEN", tmp_path, **PRODUCTION, **given).stdout == "\n"


def test_a_demo_makes_its_keys_once_for_itself_alone(tmp_path: Path) -> None:
    first, second = (read("settings.SECRET_KEY, settings.FIELD_KEYS", tmp_path).stdout for _ in range(2))
    assert first == second
    assert len(first) > 100
    for name in ("secret-key", "field-keys"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_without_a_database_given_there_is_one_of_its_own_with_two_roles(tmp_path: Path) -> None:
    answer = read("[settings.DATABASES[a]['USER'] for a in ('default', 'owner')]", tmp_path)
    assert answer.stdout.strip() == "['zonebook', 'zonebook_owner']"


def test_the_owners_address_is_the_services_unless_given(tmp_path: Path) -> None:
    owner = "settings.DATABASES['owner']['USER']"
    assert read(owner, tmp_path, **PRODUCTION).stdout.strip() == "service"
    given = {"DATABASE_OWNER_URL": "postgres://keeper@db.example/zonebook"}
    assert read(owner, tmp_path, **PRODUCTION, **given).stdout.strip() == "keeper"


def test_without_a_broker_none_is_named(tmp_path: Path) -> None:
    asked = "__import__('api.celery').celery.app.conf.broker_url"
    assert read(asked, tmp_path, DJANGO_SETTINGS_MODULE="api.settings").stdout.strip() == "memory://"


def test_a_command_has_the_limits_of_bulk_work_and_a_web_server_those_of_people(tmp_path: Path) -> None:
    given = PRODUCTION | {"DATABASE_URL": "postgres://s@db.example/z?options=-c%20search_path%3Dours"}
    options = "settings.DATABASES['default']['OPTIONS']['options']"
    bulk = "-c statement_timeout=3600s -c lock_timeout=300s -c idle_in_transaction_session_timeout=900s"
    assert read(options, tmp_path, **given).stdout.strip() == f"{bulk} {PLANNING} -c search_path=ours"
    people = "-c statement_timeout=10s -c lock_timeout=5s -c idle_in_transaction_session_timeout=60s"
    web = f"(__import__('api.database.limits').database.limits.use_interactive(), {options})[1]"
    answer = read(web, tmp_path, DJANGO_SETTINGS_MODULE="api.settings", **given)
    assert answer.stdout.strip() == f"{people} {PLANNING} -c search_path=ours", answer.stderr
