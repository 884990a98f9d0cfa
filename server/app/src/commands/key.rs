//! `tallyseal key rotate`.

use std::path::Path;

use tallyseal_book::Layout;

use crate::cli::{CannotRun, Outcome, Ran, runtime};
use crate::control_socket::{Ask, ask};
use crate::server::open_book;
use crate::{randomness, say};

/// Changes the book's key, on a book at rest by itself, on a served one through its server.
pub(crate) fn rotate(dir: &Path, why: Option<&str>) -> Ran {
    let why = why.map(tallyseal_control::reason).transpose();
    let why = why.map_err(|refusal| CannotRun::because(refusal.to_string()))?;
    let key = match ask(&Layout::new(dir).socket(), &Ask::Rotate { why: why.clone() }, &say::doing)? {
        Some(key) => key,
        None => runtime()?.block_on(async {
            let book = open_book(dir, None)?;
            let seed = randomness::bytes()?;
            let rotated = book.rotate_key(seed, why).await;
            book.shutdown().await;
            Ok::<_, CannotRun>(rotated?)
        })?,
    };
    say::line(format_args!("{key}"))?;
    say::person(format_args!(
        "tallyseal: the key above signs from now on, and the private key before it is destroyed. Keep the new key where \
         the server's administrator cannot change it, beside the ones before it: an older one vouches for a newer, not \
         the other way round. Destroy the copies of keys/ in backups that are not needed any more."
    ));
    Ok(Outcome::Good)
}
