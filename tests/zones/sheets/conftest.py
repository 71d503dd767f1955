from __future__ import annotations

import pytest

from sites.models import Block, Closet
from tests import factories
from tests.halls import Hall, make_hall
from zones.services.landings import PairUse, landing_add


@pytest.fixture
def hall(closet: Closet, block: Block) -> Hall:
    """The ticket hall, its runs landed: audio of R1 on rows 1 and 2, its DC on 3 and 4; R2 on 5 to 8."""
    made = make_hall(closet, block)
    change = factories.change(made.site)
    for first_row, run, number in ((1, made.run, 1), (5, made.gangway_run, 2)):
        output = made.gateway.outputs.get(number=number)
        landing_add(change, block=block, row=first_row, pair=1, carries=PairUse.AUDIO, output=output)
        landing_add(change, block=block, row=first_row, pair=1, carries=PairUse.AUDIO, run=run)
        landing_add(change, block=block, row=first_row + 2, pair=1, carries=PairUse.DC, supply=made.supply)
        landing_add(change, block=block, row=first_row + 2, pair=2, carries=PairUse.DC, run=run)
    return made
