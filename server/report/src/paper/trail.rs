//! The whole audit trail: every entry, in order, with every field of it.

use super::corrections::{change, late};
use super::say::{column, numbers, row, text, who};
use super::{Block, Gathered, Row, Tone};
use crate::words;
use tallyseal_schema::Entry;

/// The blocks of the section.
pub(crate) fn blocks(gathered: &Gathered) -> Vec<Block> {
    let entries = words::number(gathered.places.len() as u64);
    let streams = words::so_many(gathered.streams.len(), "record", "records");
    let columns = vec![
        numbers("Entry", 0),
        column("When (plant's time and UTC)", 16),
        column("Who", 19),
        column("Record", 10),
        column("What, with every field", 40),
        column("Old and new, why", 13),
    ];
    vec![
        text(format!(
            "All {entries} entries of {streams}, in the order of the book; nothing is left out and nothing is filtered. \
             Entries of other records of the book are not here, so the numbers have gaps. \"Rev\" is the place of an entry \
             among those of its own record. Hashes, keys and signatures are cut after {} characters and marked with \u{2026}; \
             in full they stand in the attached entries, with the numbers of the acts and the links of the chain.",
            super::say::SHORT
        )),
        Block::Table {
            caption: String::new(),
            clause: String::new(),
            columns,
            rows: gathered.entries().map(|entry| row_of(gathered, entry)).collect(),
            small: true,
        },
    ]
}

fn row_of(gathered: &Gathered, entry: &Entry) -> Row {
    let header = &entry.header;
    let mut when = format!("{}\n{}", gathered.local(header.at), header.at);
    if let Some(occurred) = header.occurred {
        when.push_str(&format!("\nhappened {}", gathered.at(occurred)));
    }
    let fields = super::body::line(gathered, entry);
    let kind = words::kind(&header.kind);
    let what = if fields.is_empty() { kind } else { format!("{kind}\n{fields}") };
    let mut why = Vec::new();
    if let Some((old, new)) = change(gathered, entry) {
        why.push(format!("Old: {old}"));
        why.push(format!("New: {new}"));
    }
    why.extend(header.why.as_ref().map(|why| format!("Why: {why}")));
    why.extend(late(gathered, entry));
    let record = format!("{}\nrev {}", words::named(&header.stream), header.rev);
    let tone = if header.occurred.is_some() { Tone::Grave } else { Tone::Plain };
    let cells = vec![header.n.to_string(), when, who(&header.by), record, what, why.join("\n")];
    Row { tone, ..row(cells) }
}
