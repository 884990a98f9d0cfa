//! Shared means of the tests: the real binary, clients, and the verifiers.
