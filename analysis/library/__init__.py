"""The shipped reference curves: one TOML and one CSV per material, each with its source and licence."""
