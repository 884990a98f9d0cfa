//! Runs a plugin over machine bytes: framing, declared rules, limits, observations. No network.
