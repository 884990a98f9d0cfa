//! No entry names bytes that the book does not hold.

use std::collections::BTreeSet;

use rusqlite::Connection;
use tallyseal_schema::{Body, Hash};

use crate::capture_files;
use crate::error::Trip;

/// Bytes that came with an order, by their hashes.
#[derive(Debug, Default)]
pub(crate) struct Brought {
    pub(crate) capture: Option<Hash>,
    pub(crate) files: BTreeSet<Hash>,
}

/// Checks that all bytes which an entry names came with its order or are stored already.
///
/// Errors: [`Trip::Order`] where they are not.
pub(crate) fn check(conn: &Connection, brought: &Brought, body: &Body) -> Result<(), Trip> {
    match body {
        Body::CountSegmentCaptured(body) => capture(conn, brought, &body.sha256, body.length),
        Body::StationStrayCaptured(body) => capture(conn, brought, &body.sha256, body.length),
        Body::PluginDrafted(body) => body.files.iter().try_for_each(|file| plugin_file(conn, brought, &file.sha256)),
        _ => Ok(()),
    }
}

fn capture(conn: &Connection, brought: &Brought, sha256: &Hash, length: u64) -> Result<(), Trip> {
    // Nothing was said: there are no bytes to hold.
    if length == 0 || brought.capture == Some(*sha256) || capture_files::holds(conn, sha256)? {
        return Ok(());
    }
    Err(Trip::Order(format!("the captured bytes {sha256} did not come with the command that names them")))
}

fn plugin_file(conn: &Connection, brought: &Brought, sha256: &Hash) -> Result<(), Trip> {
    if brought.files.contains(sha256) || is_stored(conn, sha256)? {
        return Ok(());
    }
    Err(Trip::Order(format!("the file {sha256} did not come with the command that names it")))
}

/// True where a file with this hash is stored.
pub(crate) fn is_stored(conn: &Connection, sha256: &Hash) -> Result<bool, rusqlite::Error> {
    conn.prepare_cached("SELECT 1 FROM file WHERE sha256 = ?1")?.exists([sha256.0])
}
