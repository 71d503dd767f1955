"""Closets: the sheet on the page and on paper, blocks, door labels and codes."""
