"""What the invented workshop knows of the grades it puts on the virtual bench, one TOML and one CSV each."""
