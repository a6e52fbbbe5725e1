"""Command tables that come with the program: one TOML file for each family of instruments."""
