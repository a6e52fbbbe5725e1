"""Invented bins of unmarked cores: the data of the demonstration, described in README.md beside this file."""
