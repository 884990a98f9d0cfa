//! What stands on the paper, before it is set: blocks of text, fields, tables, pictures and signatures. Whoever sets it
//! looks at nothing else, so that the same entries give the same pages.

use serde::{Deserialize, Serialize};
use tallyseal_schema::Time;

/// Size of the sheets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sheet {
    /// ISO 216: 210 by 297 mm.
    #[default]
    A4,
    /// ANSI/ASME Y14.1: 8.5 by 11 in.
    Letter,
}

/// A whole record for people.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Paper {
    /// What proves it, for the foot of each page.
    pub anchor: Anchor,
    /// Blocks of the first page.
    pub cover: Vec<Block>,
    /// `at` of the newest entry in it: the date of the document, as nobody asks a clock.
    pub newest: Time,
    /// The thing whose record it is, a stream.
    pub record: String,
    /// In the order of print.
    pub sections: Vec<Section>,
    /// The sheets to set it on.
    pub sheet: Sheet,
    /// For example `Label record of order O-0007`.
    pub title: String,
}

/// What the foot of each page says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Anchor {
    /// The book's name.
    pub book: String,
    /// Text of the QR code: the first three lines of checkpoint C1, each ended by a line feed.
    pub code: String,
    /// The book's verifier key, as text.
    pub key: String,
    /// Root of C1: base64, as in the checkpoint.
    pub root: String,
    /// Size of C1.
    pub size: u64,
    /// What made the pages: name and version.
    pub software: String,
}

/// A part with a heading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// What stands in it.
    pub blocks: Vec<Block>,
    /// Clauses that ask for it, for the margin; may be empty.
    pub clause: String,
    /// It begins on a page of its own.
    pub own_page: bool,
    /// Its heading.
    pub title: String,
}

/// How a line of text is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tone {
    /// As everything else.
    #[default]
    Plain,
    /// Struck or superseded: it is there, and no longer counts.
    Former,
    /// It wants the reader's eye.
    Grave,
    /// Beside the matter: origins, notes.
    Small,
    /// It holds or has been done.
    Good,
}

/// One named value.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Field {
    /// Clauses that ask for it, for the margin; may be empty.
    pub clause: String,
    /// The entries that it stands on.
    pub entries: Vec<u64>,
    /// Its name.
    pub name: String,
    /// How it is meant.
    pub tone: Tone,
    /// What it is; a field that is not known says so in words and is never empty.
    pub value: String,
}

/// How a column stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Align {
    /// Words.
    #[default]
    Left,
    /// Numbers.
    Right,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Column {
    /// How it stands.
    pub align: Align,
    /// Its head, repeated on each page.
    pub head: String,
    /// Its share of the width, against the others; 0: as wide as its words.
    pub share: u32,
}

/// A row of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// As many as there are columns.
    pub cells: Vec<String>,
    /// How it is meant.
    pub tone: Tone,
}

/// A signature as the record prints it (21 CFR 11.50: name, date and time, meaning).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signature {
    /// The signer's account.
    pub account: String,
    /// When, in the plant's time and UTC.
    pub at: String,
    /// What is covered, in words: streams with their revs.
    pub covers: String,
    /// What it means.
    pub meaning: String,
    /// Its entry.
    pub n: u64,
    /// Printed name.
    pub name: String,
    /// The record signed.
    pub record: String,
    /// The role acted in.
    pub role: String,
    /// Why it no longer stands; absent where it stands.
    pub void: Option<String>,
}

/// Something that is not plain, or was put right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// When, in the plant's time and UTC.
    pub at: String,
    /// Old and new value, where something was put right.
    pub change: Option<(String, String)>,
    /// Its mark: 1 gravest to 3; `None`: a correction that is no exception.
    pub grade: Option<u8>,
    /// Its entry.
    pub n: u64,
    /// The record in which it stands.
    pub record: String,
    /// What it says.
    pub sentence: String,
    /// What sort it is.
    pub sort: String,
    /// What became of it: open, settled by whom and when, to be seen.
    pub standing: String,
    /// Further lines: the trail, other things on which the same lies.
    pub trail: Vec<String>,
    /// Who.
    pub who: String,
    /// The reason that was given.
    pub why: Option<String>,
}

/// One thing on the paper.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "block", deny_unknown_fields)]
pub enum Block {
    /// A correction in its place: old value struck, new value, who, when, why. Its anchor: `Correction, entry N`.
    Correction(Finding),
    /// An exception. Its anchor: `Exception, entry N`.
    Exception(Finding),
    /// Named values, one below the other.
    Fields {
        /// The values.
        fields: Vec<Field>,
    },
    /// A heading within a section.
    Heading {
        /// Clauses, for the margin; may be empty.
        clause: String,
        /// 2 or 3.
        level: u8,
        /// Its words.
        text: String,
    },
    /// A picture.
    Picture {
        /// The same in words.
        alt: String,
        /// What stands below it; may be empty.
        caption: String,
        /// Share of the text's width. Unit: percent, 1 to 100.
        percent: u8,
        /// SVG with its own style in it.
        svg: String,
    },
    /// A signature. Its anchor: `Signature, entry N`.
    Signature(Signature),
    /// A table; its head is repeated on each page.
    Table {
        /// What stands above it; may be empty.
        caption: String,
        /// Clauses, for the margin; may be empty.
        clause: String,
        /// Its columns.
        columns: Vec<Column>,
        /// Its rows.
        rows: Vec<Row>,
        /// Set smaller: a long list.
        small: bool,
    },
    /// A paragraph.
    Text {
        /// Clauses, for the margin; may be empty.
        clause: String,
        /// Its words.
        text: String,
        /// How it is meant.
        tone: Tone,
    },
}
