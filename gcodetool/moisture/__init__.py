"""Air to water in the strand: a field over strand radius and wound layers, and its forecast."""
