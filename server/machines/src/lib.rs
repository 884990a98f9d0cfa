//! Links to machines, capture of their bytes, and the simulated counting table.
