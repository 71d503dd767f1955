"""What may stand together among runs, points, landings and tests: pure checks, as in ``sites.rules``."""
