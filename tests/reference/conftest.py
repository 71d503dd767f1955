"""Outside solvers."""

import os
import shutil

import pytest


@pytest.fixture(scope="session")
def ngspice() -> str:
    """The path of ngspice. Absent, it skips the test; in CI, where it has to be there, it fails it."""
    program = shutil.which("ngspice")
    if program is None:
        said = "ngspice is not installed (Debian package ngspice)"
        if os.environ.get("CI"):
            pytest.fail(f"{said}, and in CI it has to be")
        pytest.skip(said)
    return program
