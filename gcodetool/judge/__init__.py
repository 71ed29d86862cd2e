"""The only place where a spool is judged: state, air of the print and feed become a verdict with its reasons."""
