"""Sheets: what a person needs to know before going there, and what a site leaves open."""
