"""Bytes to meaning and back: scanning, dialects, slicer families, the anchor, edits."""
