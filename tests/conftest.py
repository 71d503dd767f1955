"""Fixtures that every folder of tests shares."""
