"""What all addresses share: problems, queries and bodies, pages, ETags, rate limits, request ids, schema."""
