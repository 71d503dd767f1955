"""Settings of the service whose next version also has these migrations."""

from api.settings import *  # noqa: F403 - settings are what a module has
from api.settings import INSTALLED_APPS

INSTALLED_APPS += ["tests.resilience.upgrading"]
