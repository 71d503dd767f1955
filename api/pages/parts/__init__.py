"""What several pages show alike, made from what the API answers."""
