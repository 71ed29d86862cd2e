"""The commands: read, call, print."""

import gc

# Importing makes much that lasts: looking through it again is time lost.  Set before any of it is imported.
gc.set_threshold(50_000, 20, 20)
