from __future__ import annotations

import pytest

from sites.models import DeviceModel
from tests import factories
from zones.models import Point, Run


@pytest.fixture
def speaker() -> DeviceModel:
    return factories.make_model(DeviceModel.Kind.CEILING_SPEAKER)


@pytest.fixture
def horn() -> DeviceModel:
    return factories.make_model(DeviceModel.Kind.HORN)


@pytest.fixture
def chain(run: Run, speaker: DeviceModel) -> list[Point]:
    """Three speakers, 6 m apart, on measured lengths."""
    return factories.make_points(run, 3, speaker, dc_pairs=1)
