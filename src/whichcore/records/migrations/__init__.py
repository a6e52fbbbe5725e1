"""Steps that bring a store of an older program up to date."""
