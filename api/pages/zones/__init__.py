"""Zones: what they carry and why, over the years, and the runs that feed them."""
