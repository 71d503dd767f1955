"""Files that every site shares: device models and cable types. Invented or not, they carry ratings with
units.
"""

from __future__ import annotations

from sites.models import CableType, DeviceModel, Instrument
from sites.rules.instruments import calibration_fits

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

INSTRUMENTS = file_kind(
    "instruments",
    "What tests are taken with. A test notes the days of calibration itself.",
    model=Instrument,
    check=calibration_fits,
)
