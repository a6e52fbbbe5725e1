"""Sources of the drawings of the hardware notes; one function for each drawing."""
