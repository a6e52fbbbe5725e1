"""A sweep of all frequencies in one take."""
