"""Print limits from one's own prints: evidence, what it says of the limits, what to try next."""
