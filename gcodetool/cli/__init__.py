"""The commands: read, call, print."""
