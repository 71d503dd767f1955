"""Keys of the demo: generated once, into the data folder, readable by their owner only."""

import os
import secrets
from collections.abc import Callable
from pathlib import Path


def read_or_make(path: Path, make: Callable[[], str]) -> str:
    """The key in `path`, generated where there is none. Two processes that generate one at once both get the
    first's."""
    if path.exists():
        return path.read_text().strip()
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
    return path.read_text().strip()
