//! The table of attacks on the record: what is done, by whom, and which mechanism must find it. `tests/tamper` has a case for
//! every cell, and `FORMAT.md` section 8 prints the table.

use std::fmt::Write as _;

/// Who attacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Who {
    /// Edits the database's file.
    File,
    /// Administers the database: any SQL, triggers dropped.
    Database,
    /// Administers the server and holds its signing key.
    Server,
    /// Administers the operating system and changes the clock.
    System,
}

impl Who {
    /// All of them, in the order of the table's columns.
    pub const ALL: [Self; 4] = [Self::File, Self::Database, Self::Server, Self::System];
}

/// What there is to an attack by one of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cell {
    /// These mechanisms find it, as a case of `tests/tamper/matrix.rs` shows three ways.
    By(&'static str),
    /// It is no attack of theirs, or no other than one in the same row; why.
    No(&'static str),
}

/// One kind of attack.
#[derive(Debug)]
pub struct Row {
    /// Its number.
    pub number: u8,
    /// What is done.
    pub what: &'static str,
    /// Against each of [`Who::ALL`].
    pub cells: [Cell; 4],
}

/// The letters of mechanisms, and what they stand for.
pub const MECHANISMS: [(&str, &str); 12] = [
    ("C", "chain and canonical bytes (`bytes`, `chain`)"),
    ("M", "tree and proofs (`tree`, `manifest`, `zip`, `pdf`, `seal`)"),
    (
        "K",
        "checkpoints signed by the book's key, and that key from outside, with what is known of it (`checkpoints`, `keys`, \
         `tree`, `require`)",
    ),
    (
        "W",
        "a checkpoint that somebody else kept: a witness, a print, a sealed record given away (`checkpoints`, `tree`, \
         `require`; the server's own `book.fork_seen` and `book.witness_lost`)",
    ),
    ("R", "the receipt of whoever wrote, kept or shown to a server (`checkpoints`; `book.receipt_contradicted`)"),
    ("Z", "the clock's own entries and steps (`time`)"),
    ("U", "the signature of a person (`signatures`)"),
    ("G", "a book is opened once under its name; its key and checkpoints from outside"),
    ("A", "the server looks at itself when it starts; what pages show is folded anew (`views`)"),
    ("S", "the pages set again from the entries (`pages`)"),
    ("P", "the plugin's digest and the bytes run again (`plugins`, `replay`)"),
    ("F", "the report names the key that it rests on"),
];

use Cell::{By, No};

const NO_CLOCK: Cell = No("nothing about a clock");
const AT_REST: Cell = No("no entry is written");

const fn row(number: u8, what: &'static str, cells: [Cell; 4]) -> Row {
    Row { number, what, cells }
}

/// Every kind of attack.
pub const ROWS: [Row; 28] = [
    row(1, "change one field of one entry", [By("C"), By("C"), By("W"), By("C")]),
    row(2, "change one and make the chain fit to the head", [By("K"), By("K"), By("W"), NO_CLOCK]),
    row(3, "delete an entry in the middle", [By("C"), By("C"), By("W"), NO_CLOCK]),
    row(4, "cut the tail, leave the checkpoints", [By("K"), By("K"), By("K"), NO_CLOCK]),
    row(5, "cut the tail with its checkpoints", [By("W"), By("W"), By("W"), NO_CLOCK]),
    row(6, "cut what stands after the last kept checkpoint", [By("R"), By("R"), By("R"), NO_CLOCK]),
    row(7, "insert an entry below a checkpoint", [By("K"), By("K"), By("W"), NO_CLOCK]),
    row(8, "add a signature in another's name to the tail", [By("U"), By("U"), By("U"), NO_CLOCK]),
    row(9, "exchange two entries", [By("C"), By("C"), By("W"), NO_CLOCK]),
    row(10, "write one act a second time", [By("C"), By("C"), By("C"), NO_CLOCK]),
    row(11, "copy a signature onto another record", [By("U"), By("U"), By("U"), NO_CLOCK]),
    row(12, "put back an old backup", [By("W"), By("W"), By("W"), NO_CLOCK]),
    row(13, "delete everything and begin anew under the same name", [By("G"), By("G"), By("G"), NO_CLOCK]),
    row(14, "run two servers from one copy", [By("W"), By("W"), By("W"), NO_CLOCK]),
    row(15, "rewrite everything from entry 0 on", [By("K"), By("K"), By("W"), NO_CLOCK]),
    row(16, "sign the past with a later key of the book", [By("K"), By("K"), By("K W"), NO_CLOCK]),
    row(17, "use a key of the book that was reported stolen", [By("K W"), By("K W"), By("K W"), NO_CLOCK]),
    row(18, "set the clock back and go on recording", [AT_REST, AT_REST, By("Z"), By("Z")]),
    row(19, "set the clock forward and go on recording", [AT_REST, AT_REST, By("Z"), By("Z")]),
    row(20, "start on a clock before the last entry", [AT_REST, AT_REST, By("Z"), By("Z")]),
    row(21, "change only what pages are made from", [By("A"), By("A"), By("A"), NO_CLOCK]),
    row(22, "drop a trigger that refuses changes", [By("A"), By("A"), By("A"), NO_CLOCK]),
    row(23, "give oneself a role", [By("C A"), By("C A"), By("W"), NO_CLOCK]),
    row(24, "change a sealed record", [By("M S"), No("it is in no database"), By("W S"), NO_CLOCK]),
    row(25, "change a plugin", [By("P"), By("P"), By("P"), NO_CLOCK]),
    row(26, "keep the witness away", [AT_REST, AT_REST, By("W"), By("W")]),
    row(
        27,
        "hand the verifier another key",
        [No("the key is the server's"), No("the key is the server's"), By("F"), NO_CLOCK],
    ),
    row(28, "write the same entry in other bytes, or another in the same", [By("C"), By("C"), By("C"), NO_CLOCK]),
];

/// The table as `FORMAT.md` prints it.
pub fn table() -> String {
    let mut table =
        "| | attack | edits the file | any SQL | server and its key | clock |\n|---|---|---|---|---|---|\n".to_owned();
    for row in &ROWS {
        let cells = row.cells.map(|cell| match cell {
            By(letters) => letters,
            No(_) => "-",
        });
        let _ = writeln!(table, "| {} | {} | {} |", row.number, row.what, cells.join(" | "));
    }
    table.push('\n');
    for (letter, what) in MECHANISMS {
        let _ = writeln!(table, "- **{letter}**: {what}");
    }
    table
}
