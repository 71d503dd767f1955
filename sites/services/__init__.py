"""Everything that can be done to what stands where. Importing this registers the operations."""

from . import catalogue, closets, customers, endpoints, instruments, power, secrets, sites, switches

__all__ = [
    "catalogue",
    "closets",
    "customers",
    "endpoints",
    "instruments",
    "power",
    "secrets",
    "sites",
    "switches",
]
