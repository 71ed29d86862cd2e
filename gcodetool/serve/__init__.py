"""The shelf as pages: what ``spool list``, ``due`` and the rest say, and forms for what people do at the machine."""
