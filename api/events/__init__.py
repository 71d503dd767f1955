"""Events for programs: the publisher that numbers them, the feed that lists them, and pushes."""
