"""Files that every site shares: device models and cable types. Invented or not, they carry ratings with
units.
"""

from __future__ import annotations

from sites.models import CableType, DeviceModel

from .kinds import file_kind

DEVICE_MODELS = file_kind(
    "device_models",
    "The catalogue behind every device. A blank rating is unknown, never zero.",
    model=DeviceModel,
)

CABLE_TYPES = file_kind(
    "cable_types",
    "Kinds of cable that runs and endpoints are wired with.",
    model=CableType,
)
