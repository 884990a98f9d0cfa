//! How a step is put together: fields, tables, and the people of a step.

use tallyseal_schema::Entry;
use tallyseal_schema::ids::Stream;

use super::super::corrections::corrections_of;
use super::super::{Align, Block, Column, Field, Gathered, Row, Section, Tone};
use super::read::{by, n, with_why};
use crate::words;

/// For a field whose entries are here and say nothing.
pub(super) const NOTHING: &str = "nothing was recorded";
/// For a field that stands in entries which this record does not hold.
pub(super) const NOT_HERE: &str = "not in this record";
/// For a step that has not been done.
pub(super) const NOT_YET: &str = "not done yet";

/// Who performs and who checks.
pub(super) const PEOPLE: &str = "21 CFR 211.188(b)(11); EU GMP 4.21(c)";

/// A cell for each.
macro_rules! cells {
    // Cells are texts and words alike; written once so that no row is a column of `.to_owned()`.
    ($($cell:expr),* $(,)?) => { vec![$(String::from($cell)),*] };
}
pub(super) use cells;

/// A named value.
pub(super) fn field(name: impl Into<String>, value: impl Into<String>) -> Field {
    let value = value.into();
    let value = if value.trim().is_empty() { NOTHING.to_owned() } else { value };
    Field { name: name.into(), value, ..Field::default() }
}

/// A named value that may not be known.
pub(super) fn maybe(name: &str, value: Option<impl Into<String>>, without: &str) -> Field {
    match value {
        Some(value) => field(name, value),
        None => field(name, without).toned(Tone::Small),
    }
}

impl Field {
    /// Which clauses ask for it.
    pub(super) fn asked(self, clause: &str) -> Self {
        Self { clause: clause.to_owned(), ..self }
    }

    /// An entry that it stands on.
    pub(super) fn on<'e>(mut self, entries: impl IntoIterator<Item = &'e Entry>) -> Self {
        self.entries.extend(entries.into_iter().map(|entry| entry.header.n));
        self
    }

    pub(super) fn toned(self, tone: Tone) -> Self {
        Self { tone, ..self }
    }
}

/// A column of words, as wide as they are.
pub(super) fn col(head: &str) -> Column {
    Column { align: Align::Left, head: head.to_owned(), share: 0 }
}

/// A column of longer words.
pub(super) fn wide(head: &str, share: u32) -> Column {
    Column { align: Align::Left, head: head.to_owned(), share }
}

/// A column of numbers.
pub(super) fn num(head: &str) -> Column {
    Column { align: Align::Right, head: head.to_owned(), share: 0 }
}

/// A table that grows.
pub(super) struct Table {
    caption: String,
    clause: String,
    columns: Vec<Column>,
    rows: Vec<Row>,
    small: bool,
}

impl Table {
    pub(super) fn new(caption: impl Into<String>, clause: &str, columns: Vec<Column>) -> Self {
        Self { caption: caption.into(), clause: clause.to_owned(), columns, rows: Vec::new(), small: false }
    }

    /// A long list.
    pub(super) fn small(self) -> Self {
        Self { small: true, ..self }
    }

    pub(super) fn row(&mut self, cells: Vec<String>) {
        self.toned(cells, Tone::Plain);
    }

    /// An empty cell says `-`: nobody is to wonder whether something fell out of print.
    pub(super) fn toned(&mut self, cells: Vec<String>, tone: Tone) {
        let said = cells.into_iter().map(|cell| if cell.trim().is_empty() { "-".to_owned() } else { cell });
        let mut cells: Vec<String> = said.collect();
        cells.resize(self.columns.len(), "-".to_owned());
        self.rows.push(Row { cells, tone });
    }

    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

/// Something that a person did, for the list of people of a step.
pub(super) struct Hand<'e> {
    entry: &'e Entry,
    /// It still counts.
    stands: bool,
    what: String,
}

impl<'e> Hand<'e> {
    pub(super) fn new(what: impl Into<String>, entry: &'e Entry) -> Self {
        Self { entry, stands: true, what: what.into() }
    }

    pub(super) fn signed(entry: &'e Entry, meaning: &str, stands: bool) -> Self {
        Self { entry, stands, what: format!("Signature: {meaning}") }
    }
}

/// A step while it is put together.
pub(super) struct Step<'g> {
    blocks: Vec<Block>,
    clause: String,
    g: &'g Gathered,
    title: String,
}

impl<'g> Step<'g> {
    pub(super) fn new(g: &'g Gathered, title: impl Into<String>, clause: &str) -> Self {
        Self { blocks: Vec::new(), clause: clause.to_owned(), g, title: title.into() }
    }

    pub(super) fn gathered(&self) -> &'g Gathered {
        self.g
    }

    pub(super) fn heading(&mut self, text: impl Into<String>, clause: &str) {
        self.blocks.push(Block::Heading { clause: clause.to_owned(), level: 3, text: text.into() });
    }

    pub(super) fn say(&mut self, text: impl Into<String>, tone: Tone) {
        self.blocks.push(Block::Text { clause: String::new(), text: text.into(), tone });
    }

    /// Beside the matter.
    pub(super) fn note(&mut self, text: impl Into<String>) {
        self.say(text, Tone::Small);
    }

    pub(super) fn fields(&mut self, fields: Vec<Field>) {
        if !fields.is_empty() {
            self.blocks.push(Block::Fields { fields });
        }
    }

    pub(super) fn picture(&mut self, svg: String, alt: String, caption: impl Into<String>) {
        self.blocks.push(Block::Picture { alt, caption: caption.into(), percent: 100, svg });
    }

    /// The table, or what to say where it has no row.
    pub(super) fn table(&mut self, table: Table, without: &str) {
        if table.is_empty() {
            let text =
                if table.caption.is_empty() { without.to_owned() } else { format!("{}: {without}", table.caption) };
            self.blocks.push(Block::Text { clause: table.clause, text, tone: Tone::Small });
            return;
        }
        let Table { caption, clause, columns, rows, small } = table;
        self.blocks.push(Block::Table { caption, clause, columns, rows, small });
    }

    /// The table, where it has a row.
    pub(super) fn table_if_any(&mut self, table: Table) {
        if !table.is_empty() {
            self.table(table, "");
        }
    }

    /// Who performed and who checked, in the order of the entries.
    pub(super) fn people(&mut self, mut hands: Vec<Hand<'_>>, without: &str) {
        hands.sort_by_key(|hand| hand.entry.header.n);
        hands.dedup_by_key(|hand| hand.entry.header.n);
        let columns = vec![wide("What was done", 4), wide("By", 4), wide("When", 3), num("Entry")];
        let mut table = Table::new("Performed and checked", PEOPLE, columns);
        for Hand { entry, stands, what } in &hands {
            let mut what = with_why(what, entry);
            if let Some(occurred) = entry.header.occurred {
                what.push_str(&format!("; by that person's word it happened {}", self.g.at(occurred)));
            }
            if !stands {
                what.push_str("; no longer stands: the record changed after it");
            }
            let tone = if *stands { Tone::Plain } else { Tone::Former };
            table.toned(cells![what, by(entry), self.g.local(entry.header.at), n(entry)], tone);
        }
        self.table(table, without);
    }

    /// The signatures of a stream.
    pub(super) fn signed(&self, stream: &Stream) -> Vec<Hand<'g>> {
        let all = self.g.signatures(stream).into_iter();
        all.map(|(entry, body, stands)| Hand::signed(entry, &body.meaning, stands)).collect()
    }

    /// Everything of those kinds that was done in a stream, and its signatures.
    pub(super) fn hands(&self, stream: &Stream, kinds: &[&str]) -> Vec<Hand<'g>> {
        self.done(stream, kinds).into_iter().chain(self.signed(stream)).collect()
    }

    /// Everything of those kinds that was done in a stream.
    pub(super) fn done(&self, stream: &Stream, kinds: &[&str]) -> Vec<Hand<'g>> {
        let done = self.g.stream(stream).filter(|entry| kinds.contains(&entry.header.kind.as_str()));
        done.map(|entry| Hand::new(words::kind(&entry.header.kind), entry)).collect()
    }

    /// Corrections of a stream, in their place.
    pub(super) fn corrections(&mut self, stream: &Stream) {
        self.corrections_where(stream, |_| true);
    }

    /// Corrections of a stream whose entries are of such kinds: what an order's stream puts right belongs to several steps.
    pub(super) fn corrections_where(&mut self, stream: &Stream, belongs: impl Fn(&str) -> bool) {
        let is_here = |block: &Block| match block {
            Block::Correction(finding) => self.g.entry(finding.n).is_some_and(|entry| belongs(&entry.header.kind)),
            _ => false,
        };
        let here: Vec<Block> = corrections_of(self.g, stream).into_iter().filter(is_here).collect();
        self.blocks.extend(here);
    }

    pub(super) fn section(self) -> Section {
        Section { blocks: self.blocks, clause: self.clause, own_page: false, title: self.title }
    }
}
