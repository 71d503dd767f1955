"""The web server: gunicorn, its settings and its worker."""
