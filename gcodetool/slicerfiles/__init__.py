"""Filament profiles of slicers: read, and written as an adjusted copy."""
