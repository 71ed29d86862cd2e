"""From forecast to what to do: the verdict, tweaks, the purge-and-inspect block."""
