"""The demo: the invented fleet of Larkmoor Sound & Signal, and a check of the main job on it."""
