"""Test series: the same job on the same spool in several states of water, planned and compared."""
