//! The rules of label control: decide and evolve per stream, and the calculations. No I/O, no clock, no randomness.
