"""Tables of the service itself; the record is in `sites` and `zones`."""

from .conventions.models import RequestWindow

__all__ = ["RequestWindow"]
