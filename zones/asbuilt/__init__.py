"""As-built files: the record as a folder of CSV files, in and out.

``formats`` says which files there are and what stands in their columns (``FORMAT.md`` is written from it).
The way in: ``files`` (bytes to cells) → ``parsing`` (cells to values, no database) → ``record`` (what is
already held) → ``resolving`` (names to things, changes in order, trees) → ``writing``. The way out:
``record`` → ``exporting``. ``services`` is what commands and pages call.
"""
