//! How the paper was made, what it proves and what not, and how to check it.

use std::collections::BTreeSet;

use tallyseal_schema::{Body, Entry};

use super::clauses::{CLAUSES, named_in};
use super::say::{column, field, heading, numbers, row, text};
use super::{Block, Gathered, Section};
use crate::words;

/// The blocks of the section but the legend of the clauses.
pub(crate) fn blocks(gathered: &Gathered, software: &str) -> Vec<Block> {
    let checkpoint = &gathered.checkpoint;
    let opened = gathered.entries().find_map(|entry| match &entry.body {
        Body::BookOpened(body) => Some((entry.header.n, body)),
        _ => None,
    });
    let body = checkpoint.body();
    let root = body.lines().nth(2).unwrap_or_default();
    let mut fields = vec![
        field("Made by", software, "21 CFR 11.10(k)", &[]),
        field("Book", checkpoint.origin.to_string(), "", &[]),
        field("Entries in the book at the checkpoint", words::number(checkpoint.size), "21 CFR 11.10(a)", &[]),
        field("Root at the checkpoint", root, "21 CFR 11.10(a)", &[]),
        field("Key of the book", gathered.key.clone(), "21 CFR 11.10(a)", &[]),
        field("Newest entry in this record", gathered.at(gathered.newest), "", &[]),
        field("Time zone of the plant", gathered.zone.name(), "", &[]),
    ];
    if let Some((n, body)) = opened {
        let format = format!("{}; hashes {}, signatures {}", body.format, body.hash, body.sign);
        fields.push(field("Format of the record", format, "", &[n]));
        fields.push(field("The book was begun with", body.software.clone(), "21 CFR 11.10(k)", &[n]));
    }
    vec![
        Block::Fields { fields },
        heading(2, "How to check it", "21 CFR 11.10(a)"),
        text(
            "Take the file of this record and the key of the book as it was published when the book was begun, not the one \
             printed here. Run `tallyseal-verify FILE --key KEY`. It says which entries fit to the checkpoint, to each other \
             and to the keys of their signers, and names the first that does not. The format is public and short enough to \
             write such a program oneself. With paper alone: compare size and root at the foot of the page with a checkpoint \
             of the book that somebody else kept.",
        ),
        heading(2, "What that proves", ""),
        text(
            "That these entries stood in the book, byte for byte, at these places when the checkpoint was signed; that none of \
             them was changed and none of a record's own entries before its last one here was left out or put in between; \
             that each signature was made with the key of that person over exactly what it names; that the signer was \
             another person where the meaning asks for one.",
        ),
        heading(2, "What it does not prove", ""),
        text(
            "That what people entered is true, or that a machine counted rightly beyond its challenges. That the clock of the \
             server was right; where it was set, the book says so. That nothing came after the checkpoint. That the owner of \
             the book's key did not write the whole book anew: only a checkpoint that others held before tells that. That \
             these pages say what the entries say, if they came without their file: the hash of this paper stands in the \
             entry that records its export.",
        ),
        heading(2, "What is in it", "21 CFR 11.10(b)"),
        streams(gathered),
    ]
}

/// Every record of which entries are here.
fn streams(gathered: &Gathered) -> Block {
    let rows = gathered.streams.iter().map(|(stream, all)| {
        let position = |entry: Option<&Entry>| entry.map_or(0, |entry| entry.header.n).to_string();
        row(vec![
            words::capital(&words::named(stream)),
            words::number(all.len() as u64),
            position(all.first()),
            position(all.last()),
        ])
    });
    let columns = vec![column("Record", 6), numbers("Entries", 2), numbers("First", 2), numbers("Last", 2)];
    Block::Table { caption: String::new(), clause: String::new(), columns, rows: rows.collect(), small: true }
}

/// The clauses that the margins of these name, with what each asks.
pub(crate) fn legend(cover: &[Block], sections: &[Section]) -> Vec<Block> {
    let mut named = BTreeSet::new();
    for section in sections {
        named.extend(named_in(&section.clause));
    }
    for block in cover.iter().chain(sections.iter().flat_map(|section| &section.blocks)) {
        match block {
            Block::Fields { fields } => named.extend(fields.iter().flat_map(|field| named_in(&field.clause))),
            Block::Heading { clause, .. } | Block::Table { clause, .. } | Block::Text { clause, .. } => {
                named.extend(named_in(clause));
            }
            Block::Correction(_) | Block::Exception(_) | Block::Picture { .. } | Block::Signature(_) => {}
        }
    }
    let rows = CLAUSES.iter().filter(|clause| named.contains(clause.cite));
    let rows = rows.map(|clause| row(vec![clause.cite.to_owned(), clause.asks.to_owned()]));
    let columns = vec![column("Clause", 3), column("What it asks, in our words", 8)];
    vec![
        heading(2, "Clauses named in the margin", ""),
        text("They say why something is here. They are no claim that it is enough."),
        Block::Table { caption: String::new(), clause: String::new(), columns, rows: rows.collect(), small: true },
    ]
}
