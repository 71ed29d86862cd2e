"""What people and programs read: the report as text and as JSON."""
