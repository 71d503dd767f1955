"""One embedded PostgreSQL server: made, started, found running, stopped. Every function here expects the
caller to hold DATA/database.lock."""

import os
import secrets
import socket
import struct
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from api.database import account as accounts
from api.database import home as homes
from api.database import programs as installations
from api.database.account import Account
from api.database.errors import EmbeddedDatabaseError
from api.database.home import Home
from api.database.programs import Programs

SUPERUSER = "zonebook_cluster"
OWNER = "zonebook_owner"
SERVICE = "zonebook"
DATABASE = "zonebook"

HAS_UNIX_SOCKETS = hasattr(socket, "AF_UNIX") and sys.platform != "win32"
PORT = 5432  # of a unix socket: a part of its file name only
# sun_path is 108 bytes on Linux, 104 elsewhere, the closing zero included
LONGEST_SOCKET_PATH = 103
START_TIMEOUT_S = 60
_POLL_S = 0.05
_ANSWER_TIMEOUT_S = 5.0
# SSLRequest: the length of the message, and its code
_SSL_REQUEST = struct.pack("!ii", 8, 80877103)
_LOG_LIMIT_BYTES = 5_000_000


@dataclass(frozen=True)
class Address:
    """Where a running server is reached: `host` is the socket's folder, or the loopback address with a
    password."""

    host: str
    port: int
    password: str | None = field(default=None, repr=False)


def ensure_running(home: Home, *, unix_socket: bool = HAS_UNIX_SOCKETS) -> Address:
    """Find the server of `home` running, or make and start it.

    1. A cluster that was being made when its maker died is made anew: it gets its name only when it is whole.
    2. A server that is starting (its starter was killed) or stopping (someone else stopped it) is waited for.
    3. What a killed server left behind (postmaster.pid) is told from a running one by the process itself.
    """
    account = accounts.account_for(home.cluster)
    programs = homes.reachable_programs(installations.choose(home.major(), where=home.folder), account)
    if not home.cluster.is_dir():
        _initialise(home, programs, account, unix_socket=unix_socket)
    address = _wait_while_between(home)
    if address is None:
        address = _start(home, programs, account, unix_socket=unix_socket)
    return address


def stop(home: Home) -> None:
    """Stop the server of `home` if it runs: sessions are ended, transactions rolled back, files left
    clean."""
    state = _read_state(home)
    if state is None:
        return
    account = accounts.account_for(home.cluster)
    programs = homes.reachable_programs(installations.choose(home.major(), where=home.folder), account)
    result = account.run(
        [
            programs.path("pg_ctl"),
            "stop",
            "-D",
            str(home.cluster),
            "-m",
            "fast",
            "-w",
            "-t",
            str(START_TIMEOUT_S),
        ]
    )
    if result.returncode != 0 and _read_state(home) is not None:
        raise EmbeddedDatabaseError(f"PostgreSQL in {home.cluster} does not stop: {result.stdout.strip()}")
    _remove_socket_folder(home, state.host)


# --- making -------------------------------------------------------------------------------------------------


def _initialise(home: Home, programs: Programs, account: Account, *, unix_socket: bool) -> None:
    draft = home.folder / "cluster.new"
    accounts.remove_tree(draft)
    account.own(draft)
    arguments = [
        programs.path("initdb"),
        "-D",
        str(draft),
        "-U",
        SUPERUSER,
        "--encoding=UTF8",
        "--data-checksums",
    ]
    if unix_socket:
        # What initdb writes into its own pg_hba.conf is never read (`_write_settings`), so it may as well
        # refuse
        arguments += ["--auth=reject"]
    else:
        _make_password(home, account)
        arguments += ["--auth=scram-sha-256", f"--pwfile={home.password}"]
    for locale in _locales(programs.major):
        result = account.run([*arguments, *locale])
        if result.returncode == 0:
            break
        if "invalid locale" not in result.stdout:
            raise EmbeddedDatabaseError(f"initdb failed in {draft}:\n{result.stdout.strip()}")
    else:
        raise EmbeddedDatabaseError(f"initdb found no locale in {draft}:\n{result.stdout.strip()}")
    draft.rename(home.cluster)


def _locales(major: int) -> list[list[str]]:
    """Code point order and Unicode letters, alike on every machine; PostgreSQL itself knows them from 17
    on."""
    if major >= 17:
        return [["--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"]]
    return [["--locale=C.UTF-8"], ["--locale=C"]]


def _make_password(home: Home, account: Account) -> None:
    descriptor = os.open(home.password, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        file.write(secrets.token_urlsafe(32) + "\n")
    if account.changed:
        os.chown(home.password, account.uid, account.gid)  # initdb reads it


# --- starting -----------------------------------------------------------------------------------------------


def _start(home: Home, programs: Programs, account: Account, *, unix_socket: bool) -> Address:
    account.own(home.log.parent)
    if home.log.is_file() and home.log.stat().st_size > _LOG_LIMIT_BYTES:
        home.log.replace(home.log.with_suffix(".log.1"))
    deadline = time.monotonic() + START_TIMEOUT_S
    while True:
        host, port = (
            (_make_socket_folder(home, account), PORT) if unix_socket else ("127.0.0.1", _free_port())
        )
        configuration = _write_settings(home, host, port, account, unix_socket=unix_socket)
        log_start = home.log.stat().st_size if home.log.is_file() else 0
        # pg_ctl hands its words to a shell between double quotes, so they are kept free of the folder's name
        result = account.run(
            [
                *(programs.path("pg_ctl"), "start", "-D", "cluster", "-l", str(Path("log") / "server.log")),
                *("-w", "-t", str(START_TIMEOUT_S), "-o", f"-c config_file={configuration}"),
            ],
            folder=home.folder,
        )
        if result.returncode == 0:
            return Address(host, port, _password(home, unix_socket=unix_socket))
        said = _log_since(home, log_start)
        # A killed server's last children take a moment to go, and another program may have taken the port
        # first
        passing = any(
            sign in said for sign in ("shared memory block", "could not bind", '"postmaster.pid" already')
        )
        if not passing or time.monotonic() > deadline:
            raise EmbeddedDatabaseError(
                f"PostgreSQL does not start in {home.cluster}; its log {home.log} ends:\n"
                f"{said or result.stdout}"
            )
        time.sleep(_POLL_S)


def _password(home: Home, *, unix_socket: bool) -> str | None:
    return None if unix_socket else home.password.read_text().strip()


def _log_since(home: Home, start: int) -> str:
    try:
        with home.log.open(errors="replace") as file:
            file.seek(start)
            return file.read()[-4000:].strip()
    except FileNotFoundError:
        return ""


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _make_socket_folder(home: Home, account: Account) -> str:
    """A folder for the socket that its owner alone can enter; a short one under the temporary folder where
    the path in the home would be cut off."""
    folder = home.folder / "socket"
    if _socket_path_length(folder) > LONGEST_SOCKET_PATH:
        _remove_temporary_socket_folder(_last_socket_folder(home))
        folder = Path(tempfile.mkdtemp(prefix="zonebook-"))
        if _socket_path_length(folder) > LONGEST_SOCKET_PATH:
            folder.rmdir()
            folder = Path(tempfile.mkdtemp(prefix="zonebook-", dir="/tmp"))  # made by mkdtemp, 0700
    else:
        accounts.remove_tree(folder)  # a killed server's lock file in it would keep the next one out
    account.own(folder)
    return str(folder)


def _socket_path_length(folder: Path) -> int:
    return len(os.fsencode(folder / f".s.PGSQL.{PORT}"))


def _last_socket_folder(home: Home) -> str:
    lines = _pid_lines(home)
    return lines[4] if len(lines) > 4 else ""


def _remove_socket_folder(home: Home, host: str) -> None:
    if host != str(home.folder / "socket"):
        _remove_temporary_socket_folder(host)


def _remove_temporary_socket_folder(host: str) -> None:
    folder = Path(host)
    if folder.is_absolute() and folder.name.startswith("zonebook-") and folder.is_dir():
        accounts.remove_tree(folder)


def _write_settings(home: Home, host: str, port: int, account: Account, *, unix_socket: bool) -> Path:
    """Write the server's settings beside the cluster, where the account that runs it cannot change them. An
    operator's own go into settings/local.conf. The result is relative to the home."""
    home.settings.mkdir(exist_ok=True)
    roles = f"{SUPERUSER},{OWNER},{SERVICE}"
    if unix_socket:
        listen = (
            "listen_addresses = ''\n"
            f"unix_socket_directories = {_value(host)}\n"
            "unix_socket_permissions = 0700\n"
        )
        access = f"local all {roles} peer map=zonebook\n"
    else:
        listen = "listen_addresses = '127.0.0.1'\nunix_socket_directories = ''\n"
        access = f"host all {roles} 127.0.0.1/32 scram-sha-256\n"
    # root could become any of them, so it may as well come as it is; but whom root runs the server as is not
    # someone who uses it
    system_users = {accounts.running_as(), accounts.name_of_root()} - {""}
    if account.changed and account.name != accounts.ROOTS_DEPUTY:
        system_users.add(account.name)
    local = home.settings / "local.conf"
    files = {
        "postgresql.conf": (
            "# Written at every start. Your own settings belong in local.conf beside this file.\n"
            f"hba_file = {_value(home.settings / 'pg_hba.conf')}\n"
            f"ident_file = {_value(home.settings / 'pg_ident.conf')}\n"
            f"port = {port}\n"
            f"{listen}max_connections = 100\n"
            "timezone = 'UTC'\n"
            "log_timezone = 'UTC'\n"
            "lc_messages = 'C'\n"
            "log_line_prefix = '%m [%p] '\n"
            "log_checkpoints = off\n" + (f"include {_value(local)}\n" if local.is_file() else "")
        ),
        "pg_hba.conf": access,
        "pg_ident.conf": "".join(
            f'zonebook "{user}" {role}\n'
            for user in sorted(system_users)
            for role in (SUPERUSER, OWNER, SERVICE)
        ),
    }
    for name, text in files.items():
        (home.settings / name).write_text(text)
        (home.settings / name).chmod(0o644)
    home.settings.chmod(0o755)
    return (home.settings / "postgresql.conf").relative_to(home.folder)


def _value(text: str | Path) -> str:
    quoted = str(text).replace("\\", "\\\\").replace("'", "''")
    return f"'{quoted}'"


# --- finding ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _State:
    """What a living server says of itself in postmaster.pid."""

    pid: int
    host: str
    port: int
    status: str


def running_address(home: Home) -> Address | None:
    """Where the server of `home` is reached, if it is up."""
    state = _read_state(home)
    return _address(home, state) if state and state.status == "ready" else None


def _address(home: Home, state: _State) -> Address:
    return Address(state.host, state.port, _password(home, unix_socket=Path(state.host).is_absolute()))


def _wait_while_between(home: Home) -> Address | None:
    deadline = time.monotonic() + START_TIMEOUT_S
    while (state := _read_state(home)) is not None:
        if state.status == "ready":
            return _address(home, state)
        if time.monotonic() > deadline:
            raise EmbeddedDatabaseError(
                f"PostgreSQL in {home.cluster} is {state.status} since {START_TIMEOUT_S} s; see {home.log}. "
                f"If the process {state.pid} is not PostgreSQL, remove {home.cluster / 'postmaster.pid'}."
            )
        time.sleep(_POLL_S)
    return None


def _pid_lines(home: Home) -> list[str]:
    try:
        return [line.strip() for line in (home.cluster / "postmaster.pid").read_text().splitlines()]
    except FileNotFoundError:
        return []


def _read_state(home: Home) -> _State | None:
    """The state of the living server; None where none lives, whatever postmaster.pid says.

    That file outlives a killed server; its number may meanwhile be another process's (in a container it often
    is); and a copied data folder has the file of the original. What PostgreSQL itself would take for a living
    server then is removed."""
    lines = _pid_lines(home)
    if len(lines) < 2:
        return None
    pid = int(lines[0])
    port = int(lines[3]) if len(lines) > 3 and lines[3] else PORT
    socket_folder, listens_on = (lines[4] if len(lines) > 4 else ""), (lines[5] if len(lines) > 5 else "")
    host = socket_folder or listens_on
    if lines[1] == str(home.cluster):
        if host and _answers(host, port):
            return _State(pid, host, port, lines[7] if len(lines) > 7 else "starting")
        if _may_be_postmaster(pid, home.cluster):
            return _State(pid, host, port, "starting or stopping")
        if not _is_alive(pid):
            return None  # PostgreSQL clears that up by itself
    (home.cluster / "postmaster.pid").unlink(missing_ok=True)
    return None


def _answers(host: str, port: int) -> bool:
    """Whether a server says if it encrypts, which it says to anybody. To be connected is not enough: for a
    moment the system still connects callers to a server that was killed."""
    unix = Path(host).is_absolute()
    try:
        with socket.socket(socket.AF_UNIX if unix else socket.AF_INET) as probe:
            probe.settimeout(_ANSWER_TIMEOUT_S)
            probe.connect(str(Path(host) / f".s.PGSQL.{port}") if unix else (host, port))
            probe.sendall(_SSL_REQUEST)
            return probe.recv(1) in (b"S", b"N")
    except OSError:
        return False


def _is_alive(pid: int) -> bool:
    if sys.platform == "win32":  # where os.kill would end the process; `_start` tries, and PostgreSQL tells
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _may_be_postmaster(pid: int, cluster: Path) -> bool:
    """Whether the process `pid` lives and, as far as the system tells, is PostgreSQL running `cluster`."""
    if not _is_alive(pid):
        return False
    process = Path(f"/proc/{pid}")
    if not process.is_dir():
        return True
    try:
        return (process / "cwd").readlink() == cluster.resolve()  # where every postmaster goes
    except OSError:
        return False  # someone else's, or dead and not buried
