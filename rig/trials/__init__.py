"""Trying a command table on the instrument, step by step."""
