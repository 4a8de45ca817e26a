"""Pure functions: arrays in, arrays out."""
