"""The tables of the service itself; what it serves lies in `sites` and `zones`."""

from .conventions.models import RequestWindow

__all__ = ["RequestWindow"]
