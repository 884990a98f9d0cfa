//! What is recorded: entries, canonical bytes, hashes, proofs, signatures, sealed records. No I/O, no clock, no randomness.
