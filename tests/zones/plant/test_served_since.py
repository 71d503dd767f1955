"""Which devices in service nobody asks for a proof of."""

from __future__ import annotations

import numpy as np

from zones.electrical.plant import Service
from zones.plant.selectors import _served_since

NOT_RECORDED = -1


def test_what_was_in_service_before_proofs_were_kept_stays_out_until_it_is_put_in_service_again() -> None:
    """Proofs are kept since day 20. The first device was recorded in service on day 10; on day 30 something
    else of it was recorded, later it went out of service and in again. The second one was recorded on day
    20. Of the third it was recorded on day 10 that it is in service since step 6, and on day 30 that it was
    so since step 3."""
    served, out = int(Service.IN_SERVICE), int(Service.OUT_OF_SERVICE)
    rows = {
        "endpoint_index": np.array([0, 1, 0, 0, 0, 2, 2]),
        "begin": np.array([1, 2, 5, 9, 12, 3, 6]),
        "service": np.array([served, served, served, out, served, served, served]),
        "served_since": np.array([10, 20, 30, -1, 30, 30, 10]),
        "site_index": np.zeros(7, np.int64),
    }
    found = _served_since(rows, np.array([20]))["service"].tolist()
    assert found == [NOT_RECORDED, served, NOT_RECORDED, out, served, NOT_RECORDED, NOT_RECORDED]
