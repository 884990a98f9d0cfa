//! How the paper says things: moments, people, fields that are not there. Every part of it speaks through these.

use tallyseal_schema::ids::Stream;
use tallyseal_schema::{By, Time};

use super::{Align, Block, Column, Field, Gathered, Row, Section, Tone};
use crate::words;

/// In place of a value that no entry of the record gives.
pub(crate) const NOT_RECORDED: &str = "not recorded";

impl Gathered {
    /// A moment: the plant's time with its offset, and UTC. One without the other misleads where clocks change.
    pub(crate) fn at(&self, at: Time) -> String {
        format!("{} ({at})", self.local(at))
    }

    /// A moment in the plant's time, with its offset from UTC.
    pub(crate) fn local(&self, at: Time) -> String {
        let utc = chrono::DateTime::from_timestamp_micros(at.micros()).unwrap_or_default();
        utc.with_timezone(&self.zone).format("%d %b %Y %H:%M:%S %:z").to_string()
    }
}

/// Who did something, with everything that tells it: name, account, role, device and session; station and plugin.
pub(crate) fn who(by: &By) -> String {
    match by {
        By::Person(person) => format!(
            "{} ({}), {}, at device {} in session {}",
            person.name,
            person.account,
            person.role.title(),
            person.device,
            person.session
        ),
        By::Machine(machine) => {
            format!("machine at station {}, read by plugin {}", machine.station, short(&machine.plugin.to_string()))
        }
        By::System(system) => format!("software, {}", system.system),
    }
}

/// The beginning of a text that nobody reads letter by letter, marked as cut.
pub(crate) fn short(text: &str) -> String {
    match text.char_indices().nth(SHORT) {
        Some((at, _)) => format!("{}\u{2026}", text.get(..at).unwrap_or_default()),
        None => text.to_owned(),
    }
}

/// So much of a hash, a key or a signature is printed. The whole of it stands in the attached entries.
pub(crate) const SHORT: usize = 12;

/// Things as people call them, for a list in a sentence.
pub(crate) fn all_named<'a>(streams: impl IntoIterator<Item = &'a Stream>) -> String {
    streams.into_iter().map(words::named).collect::<Vec<_>>().join(", ")
}

/// A named value. An empty one says that it was not recorded.
pub(crate) fn field(name: &str, value: impl Into<String>, clause: &str, entries: &[u64]) -> Field {
    let value = value.into();
    Field {
        clause: clause.to_owned(),
        entries: entries.to_vec(),
        name: name.to_owned(),
        tone: Tone::Plain,
        value: if value.is_empty() { NOT_RECORDED.to_owned() } else { value },
    }
}

/// A paragraph.
pub(crate) fn text(text: impl Into<String>) -> Block {
    toned(text, Tone::Plain)
}

/// A paragraph that is meant in that way.
pub(crate) fn toned(text: impl Into<String>, tone: Tone) -> Block {
    Block::Text { clause: String::new(), text: text.into(), tone }
}

/// A heading within a section.
pub(crate) fn heading(level: u8, text: impl Into<String>, clause: &str) -> Block {
    Block::Heading { clause: clause.to_owned(), level, text: text.into() }
}

/// A column of words.
pub(crate) fn column(head: &str, share: u32) -> Column {
    Column { align: Align::Left, head: head.to_owned(), share }
}

/// A column of numbers.
pub(crate) fn numbers(head: &str, share: u32) -> Column {
    Column { align: Align::Right, head: head.to_owned(), share }
}

/// A row that is meant as everything else.
pub(crate) fn row(cells: Vec<String>) -> Row {
    Row { cells, tone: Tone::Plain }
}

/// A table.
pub(crate) fn table(caption: &str, clause: &str, columns: Vec<Column>, rows: Vec<Row>) -> Block {
    Block::Table { caption: caption.to_owned(), clause: clause.to_owned(), columns, rows, small: false }
}

/// A part with a heading.
pub(crate) fn section(title: &str, clause: &str, own_page: bool, blocks: Vec<Block>) -> Section {
    Section { blocks, clause: clause.to_owned(), own_page, title: title.to_owned() }
}
