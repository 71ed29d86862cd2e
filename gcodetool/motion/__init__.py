"""Moves to seconds: limits, the look-ahead planners, the timeline of a job."""
