"""The record of the shelf: spools, places and events, from files and (later) a database."""
