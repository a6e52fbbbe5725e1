"""Pure numerics: no input or output, no plotting. SI units inside, frequency first, e^{+jωt}."""
