"""Drawings as SVG, one module a drawing: pure functions of what the API answers.

They have presentation attributes only, so that a page, a print and a PDF show the same; their classes let the
stylesheet give them the colours of the dark scheme. Each stands above a table that says the same in words."""
