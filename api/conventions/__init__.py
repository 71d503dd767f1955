"""What every address has in common: problems, cursors, etags, idempotency, limits, scopes, request ids."""
