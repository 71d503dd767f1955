#!/usr/bin/env python3
"""Command line of Zonebook: `manage.py COMMAND --help` says what each command does."""

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

DATA_HELP = (
    "every command also takes --data DIR: the folder that keeps the embedded database, keys and files "
    "(default: $ZONEBOOK_DATA, else .data beside manage.py)"
)

CUT_SHORT = 128 + 13  # POSIX shells: 128 and the signal, SIGPIPE


def take_data_folder(argv: Sequence[str]) -> tuple[list[str], str | None]:
    """Take `--data DIR` (or `--data=DIR`) out of `argv`: the settings need it before any command parses its
    own."""
    remaining: list[str] = []
    folder: str | None = None
    words = iter(argv)
    for word in words:
        if word == "--":
            return [*remaining, word, *words], folder
        if word == "--data":
            folder = next(words, "")
        elif word.startswith("--data="):
            folder = word.removeprefix("--data=")
        else:
            remaining.append(word)
            continue
        if not folder or folder.startswith("-"):
            raise SystemExit("manage.py: error: --data expects a folder, as in --data /srv/zonebook")
    return remaining, folder


def main() -> None:
    argv, folder = take_data_folder(sys.argv)
    if folder is not None:
        os.environ["ZONEBOOK_DATA"] = str(Path(folder).expanduser().absolute())
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError as error:
        raise SystemExit(
            "manage.py: error: Django is not installed for this Python. Run it from the project's "
            "environment: python3 -m venv .venv && .venv/bin/pip install -q -r requirements.txt"
        ) from error

    try:
        execute_from_command_line(argv)
    except (Exception, KeyboardInterrupt) as error:
        # What the person at the terminal can put right is said in a line; anything else is ours to trace
        from api.management.failures import failure_of

        failure = None if "--traceback" in argv else failure_of(error, argv)
        if failure is None or isinstance(error, BrokenPipeError):
            raise
        print(f"manage.py: error: {failure.line}", file=sys.stderr)
        raise SystemExit(failure.status) from None
    finally:
        if "--help" in argv or "-h" in argv or argv[1:2] == ["help"]:
            print(f"\n{DATA_HELP}")


def until_nobody_reads(run: Callable[[], None]) -> None:
    """Run it; where its output is cut short (`| head`), end as a shell tells it of a broken pipe, without a
    traceback."""
    try:
        try:
            run()
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        # What is still held back would be written, and fail once more, when Python ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(CUT_SHORT) from None


if __name__ == "__main__":
    until_nobody_reads(main)
