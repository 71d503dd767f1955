"""The electrical core imports only NumPy and the standard library."""

import subprocess
import sys

SCRIPT = """
import pkgutil, sys
import zones.electrical
for module in pkgutil.walk_packages(zones.electrical.__path__, "zones.electrical."):
    __import__(module.name)
allowed = {"zones", "numpy", *sys.stdlib_module_names}
# modules that site hooks of the environment loaded before are not counted
foreign = {name.partition(".")[0] for name in sys.modules.keys() - before} - allowed
print(*sorted(name for name in foreign if not name.startswith("_")))
"""


def test_importing_every_module_of_the_core_loads_nothing_else() -> None:
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; before = set(sys.modules)\n{SCRIPT}"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == ""
