"""The publisher and the feed."""
