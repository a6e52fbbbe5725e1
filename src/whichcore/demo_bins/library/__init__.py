"""The invented workshop's own library: cores it knew, one TOML and one CSV each."""
