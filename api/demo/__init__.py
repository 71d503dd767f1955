"""The demo: the invented fleet of Larkmoor Sound & Signal on this machine, and the main job played on it."""
