"""A process that uses an embedded server, for tests to start, talk to over pipes and kill: one line in, one
out.

Needs the standard library, psycopg and api.database only, so that it also runs as another user from a
copy."""

import json
import os
import sys
from pathlib import Path

import psycopg

from api.database import embedded, home


def look(data_dir: Path, *, unix_socket: bool, again: bool) -> dict[str, object]:
    address = embedded.join(data_dir, unix_socket=unix_socket, again=again)
    place = home.find(data_dir)
    with psycopg.connect(
        host=address.host, port=address.port, password=address.password, user="zonebook", dbname="zonebook"
    ) as connection:
        row = connection.execute("SELECT current_user, current_setting('server_version')").fetchone()
        assert row
    try:
        postmaster = (place.cluster / "postmaster.pid").read_text().splitlines()[0]
    except PermissionError:
        postmaster = "0"
    return {
        "pid": os.getpid(),
        "host": address.host,
        "home": str(place.folder),
        "user": row[0],
        "version": row[1],
        "postmaster": int(postmaster),
    }


def main() -> None:
    data_dir, unix_socket = Path(sys.argv[1]), "--tcp" not in sys.argv
    print(json.dumps(look(data_dir, unix_socket=unix_socket, again=False)), flush=True)
    for line in sys.stdin:
        if line.strip() == "fork" and os.fork() == 0:
            print(json.dumps(look(data_dir, unix_socket=unix_socket, again=False)), flush=True)
            sys.exit(0)
        if line.strip() == "fork":
            os.wait()
        else:
            print(json.dumps(look(data_dir, unix_socket=unix_socket, again=True)), flush=True)


if __name__ == "__main__":
    main()
