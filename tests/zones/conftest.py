from __future__ import annotations

import pytest

from sites.models import Block, Closet
from tests.halls import Hall, make_hall


@pytest.fixture
def hall(closet: Closet, block: Block) -> Hall:
    return make_hall(closet, block)
