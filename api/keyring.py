"""Secrets in files: those that an operator gives (`…_FILE`), and keys made once into the data folder."""

import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path


class UnsafeFileError(Exception):
    """A file that others may have written: a user who can write a key knows it."""


def read_secret(path: Path) -> str:
    """What the file holds, without the line end. UnsafeFileError where it belongs to neither this user nor
    root, or others than its owner may write it."""
    with path.open(encoding="utf-8") as file:
        refuse_unsafe(path, os.fstat(file.fileno()))  # of the file that is read, not of its name
        return file.read().strip()


def refuse_unsafe(path: Path, found: os.stat_result) -> None:
    if found.st_uid not in (0, os.geteuid()):
        raise UnsafeFileError(
            f"{path} belongs to the user {found.st_uid}. It must belong to the user {os.geteuid()}, as whom "
            "this runs, or to root: chown it."
        )
    if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise UnsafeFileError(f"{path} can be written by others than its owner: chmod go-w it.")


def read_or_make(path: Path, make: Callable[[], str]) -> str:
    """The key in `path`, generated where there is none. Two processes that generate one at once both get the
    first's."""
    if path.exists():
        return read_secret(path)
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w") as file:
            file.write(make() + "\n")
        os.link(draft, path)  # unlike a rename, does not replace
    except FileExistsError:
        pass
    finally:
        draft.unlink()
    return read_secret(path)
