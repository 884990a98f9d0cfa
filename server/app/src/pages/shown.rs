//! What pages look up.

use tallyseal_book::ReadError;
use tallyseal_control::Key;
use tallyseal_schema::ids::{Id, Stream, Thing};

use super::form::Known;
use super::words;
use crate::desk::Desk;

/// Names that a field offers at most.
const NAMES_MAX: usize = 200;
/// Things of which a field offers the names: a plant has few of them. Rolls and counts are scanned.
const FEW: &[&str] = &["item", "station", "supplier", "line", "limit_set", "test_roll", "plugin", "account"];

/// What a form looks up in the book.
pub(super) struct Lookup<'a>(pub(super) &'a Desk);

impl Known for Lookup<'_> {
    fn names(&self, thing: &str) -> Vec<String> {
        if !FEW.contains(&thing) {
            return Vec::new();
        }
        let found = self.0.book().set_page(&Key::new("thing", thing), None, NAMES_MAX).unwrap_or_default();
        found.iter().map(|stream| stream.id().to_string()).collect()
    }

    fn streams(&self, id: &str) -> Vec<String> {
        let Ok(id) = id.parse::<Id>() else { return Vec::new() };
        streams_of(self.0, &id).unwrap_or_default().iter().map(Stream::to_string).collect()
    }

    fn moment(&self, text: &str) -> Option<String> {
        words::moment(text, self.0.zone())
    }
}

/// Everything that has that ID.
///
/// Errors: the book cannot be read.
pub(super) fn streams_of(desk: &Desk, id: &Id) -> Result<Vec<Stream>, ReadError> {
    let mut found = Vec::new();
    for thing in Thing::ALL {
        let stream = Stream::of(thing, id);
        if desk.book().record(&stream)?.is_some() {
            found.push(stream);
        }
    }
    Ok(found)
}
