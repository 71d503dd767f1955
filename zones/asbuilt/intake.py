"""Which files of a folder are taken, and how much: held before any of them is opened."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

from sites.changes.errors import Problem

from .problems import problem_in

Files = Mapping[str, bytes | Path]
"""By name, what a file holds, or where it lies."""
_NOT_CSV = {
    **dict.fromkeys((".xlsx", ".xls", ".xlsm", ".ods", ".numbers"), "a spreadsheet cannot be read: save each "
    "sheet as CSV UTF-8"),
    **dict.fromkeys((".zip", ".gz", ".bz2", ".xz", ".7z", ".tar", ".tgz"), "an archive is not opened: unpack "
    "it"),
}  # fmt: skip


@dataclass(frozen=True)
class Limits:
    """How much one import takes: of files in all, of rows in all, and of the machine to read them."""

    files_mib: int
    rows: int
    memory_mib: int
    cpu_s: int


def limits() -> Limits:
    """The limits of the settings."""
    return Limits(**settings.IMPORT_LIMITS)


def files_of(folder: Path) -> tuple[dict[str, Path], list[Problem]]:
    """The CSV files of a folder by name, none of them opened yet. Other files are left alone, but a
    spreadsheet or an archive is a problem, since it was not saved as CSV; so is what is only named so."""
    files: dict[str, Path] = {}
    problems = []
    for path in sorted(folder.iterdir()):
        suffix = path.suffix.lower()
        if path.name.startswith(".") or (suffix != ".csv" and path.is_dir()):
            continue
        message = _NOT_CSV.get(suffix, "")
        if suffix == ".csv":
            message = _why_not(path.lstat().st_mode)
            if not message:
                files[path.name] = path
        if message:
            problems.append(problem_in(path.name, 0, "", "not_csv", message))
    return files, problems


def _why_not(mode: int) -> str:
    """Why a file of this mode is not read; blank where it is."""
    if stat.S_ISLNK(mode):
        return "is a symbolic link: put the file itself here"
    if stat.S_ISDIR(mode):
        return "is a folder: expected a CSV file"
    return "" if stat.S_ISREG(mode) else "is not a file: expected a CSV file"


def too_large(files: Files, most: Limits) -> list[Problem]:
    """What is wrong with the size of files together; none of them is opened for it."""
    size = sum(_size(file) for file in files.values())
    if size <= most.files_mib * 2**20:
        return []
    detail = (
        f"hold {size / 2**20:,.0f} MiB together; expected {most.files_mib} MiB at most: import them in "
        "parts, or raise ZONEBOOK_IMPORT_FILES_MIB"
    )
    return [problem_in("the files", 0, "", "too_large", detail)]


def _size(file: bytes | Path) -> int:
    return len(file) if isinstance(file, bytes) else file.lstat().st_size


def content_of(name: str, file: bytes | Path, most: Limits) -> tuple[bytes, list[Problem]]:
    """What a file holds, or why it cannot be read. It may have become a link, or have grown, since its size
    was asked."""
    if isinstance(file, bytes):
        return file, []
    try:
        # Not through a link, and without waiting for something that is not a file
        opened = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(opened, "rb") as source:
            content = source.read(most.files_mib * 2**20 + 1)
    except OSError as error:
        return b"", [problem_in(name, 0, "", "not_readable", f"cannot be read: {error.strerror}")]
    return content, too_large({name: content}, most)
