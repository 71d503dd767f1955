"""What happened, told to programs: the publisher that numbers events, and the feed that they read."""
