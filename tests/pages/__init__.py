"""Pages as a browser shows them, on Chromium. Where there is none, they are skipped with that reason."""
