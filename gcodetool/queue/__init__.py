"""Many jobs against the shelf: what can run when, on which spool, and what goes into the dryer now."""
