//! The sealed record: what a reviewer, an inspector and an auditor take away.
