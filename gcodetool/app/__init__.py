"""What a person asks, one function each: the commands parse and print, the Python door exports these."""
