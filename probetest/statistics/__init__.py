"""Pure computations: arrays in, frozen results out. No files, no plots, no clock."""
