"""What the people who run the service need: health, metrics, retention, erasure."""
