"""Sources and digitizers that speak by a command table."""
