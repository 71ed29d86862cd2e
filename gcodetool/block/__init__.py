"""What is written into a job before its first layer: header, purge-and-inspect block, layer notes."""
