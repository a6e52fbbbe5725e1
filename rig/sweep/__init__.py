"""A sweep, point by point: its plan, what one point takes, and what is done before it."""
