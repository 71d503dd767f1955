"""Version 1 of the API: resources in files named like their services; `routes` gives them their addresses."""
