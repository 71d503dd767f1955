"""The electrical core stands on NumPy and the standard library alone."""

import subprocess
import sys

SCRIPT = """
import pkgutil, sys
import zones.electrical
for module in pkgutil.walk_packages(zones.electrical.__path__, "zones.electrical."):
    __import__(module.name)
allowed = {"zones", "numpy", *sys.stdlib_module_names}
# What was loaded before a line of ours ran (site hooks of the environment) is none of the core's doing.
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
