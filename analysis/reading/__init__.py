"""From results to words: what may be said, and how."""
