"""Command tables: their readers, and those that come with the program, one TOML file for each family."""
