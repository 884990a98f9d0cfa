//! Which refusals are recorded, and where.
//!
//! Rule: `FORMAT.md` section 1: within a session an entry each; what made no sense, lacked a password or came after
//! the session's end is no refusal that matters.

use tallyseal_control::{Command, Refusal, RefusalKind};
use tallyseal_schema::By;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::ActRefused;

/// The stream in which a refusal of that kind is recorded, if that stream is there; `None`: it is not recorded.
pub(crate) fn place(kind: RefusalKind, by: &By) -> Option<Stream> {
    match kind {
        RefusalKind::Conflict | RefusalKind::Forbidden | RefusalKind::NotFound => {}
        // A page that asks on and on in a locked session would fill the book with it; the lock itself is an entry.
        RefusalKind::Invalid
        | RefusalKind::SignedOut
        | RefusalKind::NeedsPassword
        | RefusalKind::Locked
        | RefusalKind::Internal => return None,
    }
    match by {
        By::Person(person) => Some(Stream::of(Thing::Session, &person.session)),
        By::Machine(machine) => Some(Stream::of(Thing::Station, &machine.station)),
        By::System(_) => None,
    }
}

/// What is recorded of it.
pub(crate) fn body(refusal: &Refusal, command: &Command) -> ActRefused {
    ActRefused {
        code: refusal.code.clone(),
        command: command.name().to_owned(),
        record: command.about(),
        text: refusal.to_string(),
    }
}
