"""One embedded PostgreSQL server: made, started, found running, stopped. Every function here expects the
caller to hold DATA/database.lock.

The server inherits an open file that is locked, so the lock shows whether it or one of its children runs. Its
postmaster.pid does not: that file survives a kill, in a container its number is soon another process's, and a
copied data folder has the file of the original."""

import os
import shutil
import tempfile
import time
from pathlib import Path

from api.database import EmbeddedDatabaseError, programs
from api.database.account import ROOT_RUNS_AS, Account, account_for, name_of
from api.database.location import Location
from api.database.programs import Programs

SUPERUSER = "zonebook_cluster"
"""For set-up and dumps only."""
OWNER = "zonebook_owner"
"""Owns the database, runs the migrations, may make databases (for tests)."""
SERVICE = "zonebook"
"""Neither superuser nor BYPASSRLS; reads and writes rows, defines nothing."""
DATABASE = "zonebook"

PORT = 5432  # of a unix socket: a part of its file name only
# sun_path is 108 bytes on Linux, 104 elsewhere, the closing zero included
LONGEST_SOCKET_PATH = 103
TIMEOUT_S = 60
_POLL_S = 0.05
_ANSWER_TIMEOUT_S = 5
_LOG_LIMIT_BYTES = 5_000_000

# In single-user mode each line is a command. The owner can SET ROLE to the service, so that a test can show
# what the service may not do
_SET_UP = f"""
CREATE ROLE {OWNER} LOGIN NOSUPERUSER CREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS;
CREATE ROLE {SERVICE} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS;
GRANT {SERVICE} TO {OWNER};
CREATE DATABASE {DATABASE} OWNER {OWNER};
"""


def ensure_running(location: Location) -> str:
    """The folder of the server's socket; makes and starts the server where it is not running.

    1. A cluster gets its name only when it is whole: one whose maker was killed is made again.
    2. A server that is starting (its starter was killed), stopping or dying is waited for."""
    usable, account = _programs(location)
    if not location.cluster.is_dir():
        _initialise(location, usable, account)
    deadline = time.monotonic() + TIMEOUT_S
    while is_running(location):
        folder = _socket_folder(location)
        if folder and _answers(folder, usable, account):
            return folder
        if time.monotonic() > deadline:
            raise EmbeddedDatabaseError(
                f"PostgreSQL in {location.cluster} has neither answered nor ended for {TIMEOUT_S} s; see "
                f"{location.log}."
            )
        time.sleep(_POLL_S)
    return _start(location, usable, account)


def is_running(location: Location) -> bool:
    lock = location.server_lock()
    is_free = not lock.path.exists() or lock.acquire(wait=False)
    lock.release()
    return not is_free


def stop(location: Location) -> None:
    """Stop the server if it runs: sessions are ended, transactions rolled back, files left clean."""
    if not is_running(location):
        return
    usable, account = _programs(location)
    folder = _socket_folder(location)
    deadline = time.monotonic() + TIMEOUT_S
    command = [usable.path("pg_ctl"), "stop", "-D", str(location.cluster), "-m", "fast", "-t", str(TIMEOUT_S)]
    # Again where the server has just begun, so that no file names its process yet
    while is_running(location):
        stopped = account.run(command)
        if time.monotonic() > deadline:
            raise EmbeddedDatabaseError(
                f"PostgreSQL in {location.cluster} does not stop: {stopped.stdout.strip()}"
            )
        time.sleep(_POLL_S)
    _remove_temporary(location, folder)


def _programs(location: Location) -> tuple[Programs, Account]:
    account = account_for(location.cluster)
    chosen = programs.choose(location.major(), where=location.folder)
    return programs.reachable(chosen, account), account


def _answers(folder: str, usable: Programs, account: Account) -> bool:
    """Whether the server takes connections. A connected socket is not enough: for a moment the system still
    connects callers to a server that was killed."""
    asked = [usable.path("pg_isready"), "-h", folder, "-p", str(PORT), "-U", SERVICE, "-d", DATABASE]
    return account.run([*asked, "-t", str(_ANSWER_TIMEOUT_S)]).returncode == 0


# --- making -------------------------------------------------------------------------------------------------


def _initialise(location: Location, usable: Programs, account: Account) -> None:
    draft = location.folder / "cluster.new"
    shutil.rmtree(draft, ignore_errors=True)
    account.make_folder(draft)
    # initdb's own pg_hba.conf is never read (`_write_settings`), so it refuses every connection
    initdb = [usable.path("initdb"), "-D", str(draft), "-U", SUPERUSER, "--encoding=UTF8", "--auth=reject"]
    for locale in _locales(usable.major):
        made = account.run([*initdb, "--data-checksums", *locale])
        if "invalid locale" not in made.stdout:
            break
    if made.returncode == 0:
        single = [usable.path("postgres"), "--single", "-c", "exit_on_error=on", "-D", str(draft)]
        made = account.run([*single, "postgres"], text=_SET_UP)
    if made.returncode != 0:
        raise EmbeddedDatabaseError(f"PostgreSQL cannot make {draft}:\n{made.stdout.strip()}")
    draft.rename(location.cluster)


def _locales(major: int) -> list[list[str]]:
    """Code point order and Unicode letters, alike on every machine; PostgreSQL itself knows them from 17
    on."""
    if major >= 17:
        return [["--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"]]
    return [["--locale=C.UTF-8"], ["--locale=C"]]


# --- starting -----------------------------------------------------------------------------------------------


def _start(location: Location, usable: Programs, account: Account) -> str:
    account.make_folder(location.log.parent)
    if location.log.is_file() and location.log.stat().st_size > _LOG_LIMIT_BYTES:
        location.log.replace(location.log.with_suffix(".log.1"))
    logged = location.log.stat().st_size if location.log.is_file() else 0
    folder = _make_socket_folder(location, account)
    (location.cluster / "postmaster.pid").unlink(missing_ok=True)  # of a killed server: its lock is free
    _write_settings(location, folder, account)
    with location.server_lock() as lock:
        # pg_ctl passes its arguments to a shell between double quotes, so the folder's name is not among them
        started = account.run(
            [
                *(usable.path("pg_ctl"), "start", "-D", "cluster", "-l", "log/server.log"),
                *("-w", "-t", str(TIMEOUT_S), "-o", "-c config_file=settings/postgresql.conf"),
            ],
            cwd=location.folder,
            keep_open=[lock.descriptor] if lock.descriptor is not None else [],
        )
    if started.returncode != 0:
        log = location.log.read_bytes()[logged:] if location.log.is_file() else b""
        raise EmbeddedDatabaseError(
            f"PostgreSQL does not start in {location.cluster}; its log {location.log} ends:\n"
            f"{log.decode(errors='replace')[-4000:].strip() or started.stdout}"
        )
    return folder


def _is_short(folder: Path) -> bool:
    return len(os.fsencode(folder / f".s.PGSQL.{PORT}")) <= LONGEST_SOCKET_PATH


def _socket_folder(location: Location) -> str:
    """The folder of the running server's socket; blank where the server has not written it yet."""
    own = location.folder / "socket"
    if _is_short(own):
        return str(own)
    pid_file = location.cluster / "postmaster.pid"
    lines = pid_file.read_text().splitlines() if pid_file.is_file() else []
    return lines[4] if len(lines) > 4 else ""


def _make_socket_folder(location: Location, account: Account) -> str:
    """Make a folder for the socket that its owner alone can enter: below /tmp where the path in the location
    is too long for a socket."""
    folder = location.folder / "socket"
    _remove_temporary(location, _socket_folder(location))
    if _is_short(folder):
        # A killed server's lock file in it would stop the next one
        shutil.rmtree(folder, ignore_errors=True)
    else:
        folder = Path(tempfile.mkdtemp(prefix="zonebook-", dir="/tmp"))  # made by mkdtemp, 0700
    account.make_folder(folder)
    return str(folder)


def _remove_temporary(location: Location, folder: str) -> None:
    path = Path(folder)
    if path.is_absolute() and path.name.startswith("zonebook-") and path.parent != location.folder:
        shutil.rmtree(path, ignore_errors=True)


def _write_settings(location: Location, socket_folder: str, account: Account) -> None:
    """Write the server's settings beside the cluster, where the account that runs it cannot change them. An
    operator's own go into settings/local.conf."""
    # root could become any user, so it may connect; the account that root runs the server as is not a user of
    # it
    users = {name_of(os.geteuid()), name_of(0)} | ({account.name} - {ROOT_RUNS_AS})
    roles = (SUPERUSER, OWNER, SERVICE)
    files = {
        "postgresql.conf": f"""\
# Written at every start. Your own settings belong in local.conf beside this file.
hba_file = {_quoted(location.settings / "pg_hba.conf")}
ident_file = {_quoted(location.settings / "pg_ident.conf")}
listen_addresses = ''
port = {PORT}
unix_socket_directories = {_quoted(socket_folder)}
unix_socket_permissions = 0700
max_connections = 100
timezone = 'UTC'
log_timezone = 'UTC'
lc_messages = 'C'
log_line_prefix = '%m [%p] '
log_checkpoints = off
include_if_exists 'local.conf'
""",
        "pg_hba.conf": f"local all {','.join(roles)} peer map=zonebook\n",
        "pg_ident.conf": "".join(f'zonebook "{user}" {role}\n' for user in sorted(users) for role in roles),
    }
    location.settings.mkdir(exist_ok=True)
    location.settings.chmod(0o755)
    for name, text in files.items():
        (location.settings / name).write_text(text)
        (location.settings / name).chmod(0o644)


def _quoted(text: str | Path) -> str:
    quoted = str(text).replace("\\", "\\\\").replace("'", "''")
    return f"'{quoted}'"
