"""What may stand together among runs, points, landings and readings: pure checks, as in ``sites.rules``."""
