"""Settings of the tests: those of the service, connected as the role that owns the tables."""

import os
import secrets

from cryptography.fernet import Fernet

os.environ["ZONEBOOK_ENVIRONMENT"] = "test"
os.environ.setdefault("ZONEBOOK_SECRET_KEY", secrets.token_urlsafe(64))
os.environ.setdefault("ZONEBOOK_FIELD_KEYS", Fernet.generate_key().decode())

from api.database.location import make_data_dir
from api.database.locks import FileLock
from api.settings import *  # noqa: F403 - settings are what a module has
from api.settings import DATA_DIR, DATABASES


def _take_slot() -> tuple[int, FileLock]:
    """A number that no other running test process has, so that two runs at once have databases of their own
    and what a killed run left is found again and replaced."""
    make_data_dir(DATA_DIR)
    slot = 0
    while not (lock := FileLock(DATA_DIR / f"tests-{slot}.lock")).acquire(wait=False):
        slot += 1
    return slot, lock


_slot, _slot_lock = _take_slot()
# Those for the planner are among them: without these, tests would see other plans than the service does
_options = DATABASES["owner"]["OPTIONS"]
DATABASES["default"] = {
    **DATABASES["owner"],
    "CONN_MAX_AGE": 0,
    # Between tests the record may be emptied; anywhere else it is only added to
    "OPTIONS": {**_options, "options": f"{_options['options']} -c zonebook.allow_truncate=on"},
    "TEST": {"NAME": f"test_{DATABASES['owner']['NAME']}_{_slot}"},
}

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick; the tests hash many
