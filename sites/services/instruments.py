"""Instruments that tests are taken with: one list for all sites."""

from __future__ import annotations

from sites.models import Instrument
from sites.rules.instruments import calibration_fits

from .usual import Usual

_INSTRUMENT = Usual(Instrument, agreeing=calibration_fits)
instrument_add = _INSTRUMENT.adds("An instrument comes into use.", "name", "kind")
instrument_alter = _INSTRUMENT.alters("An instrument was calibrated, or is described otherwise.")
