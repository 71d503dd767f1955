"""An app whose migrations are written by the tests of `manage.py migrate`."""
