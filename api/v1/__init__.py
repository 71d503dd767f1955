"""Version 1 of the API: one file a resource; `routes` gives them their addresses."""
