"""Error models and standards: from two voltages to an impedance. Pure: no input, output or hardware."""
