//! Links: how bytes come from a machine. A link guesses nothing: it says when it came up, what came, and when and why it
//! went down; between down and up, bytes may have been missed.

mod backoff;
mod tcp_out;

pub use tcp_out::run_tcp_out;

/// What a link tells. `Bytes` come only between an `Up` and the next `Down`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkEvent {
    /// The machine can be heard.
    Up,
    /// It sent these bytes. Shape: at least one, at most 16,384.
    Bytes(Vec<u8>),
    /// It cannot be heard any more, or could not be reached at the first try. Told once per outage.
    Down {
        /// Why, in a sentence for a person.
        cause: String,
    },
}
