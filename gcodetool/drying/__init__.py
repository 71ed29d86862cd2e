"""How to dry a spool: what a dryer can reach in a room, and how long it takes."""
