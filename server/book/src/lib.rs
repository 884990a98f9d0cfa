//! The serial executor over the append-only store, checkpoints, captures, views.
