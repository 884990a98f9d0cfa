//! What lists have in common: filters in the address, pages without a full scan, CSV.

use std::collections::BTreeMap;

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use tallyseal_book::ReadError;
use tallyseal_control::{Key, Record};
use tallyseal_schema::ids::Stream;

use super::csv;
use crate::desk::Desk;

/// Rows on one page of a list.
pub(super) const PAGE: usize = 100;
/// Records that are looked at for one page; what lies beyond is for the next one.
const LOOKED_MAX: usize = 2_000;
/// Rows of one CSV file.
const CSV_MAX: usize = 20_000;
/// Records that are looked at for one CSV file.
const CSV_LOOKED: usize = 50_000;
/// Streams that are asked for at a time.
const BATCH: usize = 250;

/// The filters of a list, as the address has them.
pub(super) type Asked = BTreeMap<String, String>;

/// What is asked for under a name, without blanks around it.
pub(super) fn asked<'a>(query: &'a Asked, name: &str) -> &'a str {
    query.get(name).map_or("", |text| text.trim())
}

/// A path with the filters of a list, some of them changed; what is empty is left away.
pub(super) fn link(path: &str, query: &Asked, changed: &[(&str, &str)]) -> String {
    let mut all: Asked =
        query.iter().filter(|(name, _)| *name != "done").map(|(a, b)| (a.clone(), b.clone())).collect();
    for (name, text) in changed {
        all.insert((*name).to_owned(), (*text).to_owned());
    }
    all.retain(|_, text| !text.trim().is_empty());
    match serde_urlencoded::to_string(&all).unwrap_or_default() {
        query if query.is_empty() => path.to_owned(),
        query => format!("{path}?{query}"),
    }
}

/// Whatever comes right before every name that begins so. Names of streams have no character above `z`.
fn just_before(prefix: &str) -> String {
    let mut chars: Vec<char> = prefix.chars().collect();
    match chars.pop().and_then(|last| char::from_u32(u32::from(last).saturating_sub(1))) {
        Some(before) => chars.into_iter().chain([before, '\u{7f}']).collect(),
        None => String::new(),
    }
}

/// A record that passed.
pub(super) struct Passed {
    pub(super) record: Record,
    pub(super) stream: Stream,
}

/// What a search gave.
pub(super) struct Found {
    /// The stream after which the next page begins, where there may be more.
    pub(super) next: Option<String>,
    pub(super) passed: Vec<Passed>,
}

/// What is searched for.
pub(super) struct Sieve<'a> {
    /// The last stream of the page before.
    pub(super) after: &'a str,
    pub(super) key: Key,
    /// Names of streams begin so.
    pub(super) prefix: String,
}

impl Sieve<'_> {
    /// The next records under the key that pass, `limit` at most.
    ///
    /// Errors: the book cannot be read.
    pub(super) fn page(
        &self,
        desk: &Desk,
        limit: usize,
        passes: impl Fn(&Stream, &Record) -> bool,
    ) -> Result<Found, ReadError> {
        self.look(desk, limit, LOOKED_MAX, passes)
    }

    /// All of them, for a file or to be sorted; `next` says whether there are more than are looked at.
    ///
    /// Errors: the book cannot be read.
    pub(super) fn all(&self, desk: &Desk, passes: impl Fn(&Stream, &Record) -> bool) -> Result<Found, ReadError> {
        self.look(desk, LOOKED_MAX, LOOKED_MAX, passes)
    }

    /// As many as a file has; `next` says whether there may be more.
    ///
    /// Errors: the book cannot be read.
    pub(super) fn file(&self, desk: &Desk, passes: impl Fn(&Stream, &Record) -> bool) -> Result<Found, ReadError> {
        self.look(desk, CSV_MAX, CSV_LOOKED, passes)
    }

    fn look(
        &self,
        desk: &Desk,
        limit: usize,
        most: usize,
        passes: impl Fn(&Stream, &Record) -> bool,
    ) -> Result<Found, ReadError> {
        let mut after = match self.prefix.as_str() {
            "" => self.after.to_owned(),
            prefix => just_before(prefix).max(self.after.to_owned()),
        };
        let mut passed = Vec::new();
        let mut looked = 0;
        loop {
            let batch = desk.book().set_page(&self.key, Some(&after), BATCH)?;
            let last = batch.len() < BATCH;
            for stream in batch {
                if !stream.as_str().starts_with(&self.prefix) {
                    return Ok(Found { next: None, passed });
                }
                if passed.len() >= limit || looked >= most {
                    return Ok(Found { next: Some(after), passed });
                }
                looked += 1;
                after = stream.to_string();
                if let Some((_, record)) = desk.book().record(&stream)?
                    && passes(&stream, &record)
                {
                    passed.push(Passed { record, stream });
                }
            }
            if last {
                return Ok(Found { next: None, passed });
            }
        }
    }
}

/// The last line of a file that does not have all.
const NOT_ALL: &str = "NOT ALL: there is more than one file takes or looks through. Narrow the filters.";

/// A table as a CSV file. `more`: it may not be all, which its last line says.
///
/// Rule: RFC 4180. A cell that a spreadsheet would take for a formula gets an apostrophe before it.
pub(super) fn csv(name: &str, head: &[&str], rows: &[Vec<String>], more: bool) -> HttpResponse {
    let mut text = String::new();
    csv::row(&mut text, head.iter().copied());
    for row in rows {
        csv::row(&mut text, row.iter().map(String::as_str));
    }
    if more {
        csv::row(&mut text, [NOT_ALL].into_iter());
    }
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.csv\"")))
        .body(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_begins_with_what_is_called_exactly_so() {
        let before = just_before("roll/R-1");
        for later in ["roll/R-1", "roll/R-10", "roll/R-1-A"] {
            assert!(before.as_str() < later, "{later}");
        }
        for earlier in ["roll/R-0ZZZ", "roll/R-0-1", "roll/Q-9"] {
            assert!(before.as_str() > earlier, "{earlier}");
        }
    }

    #[test]
    fn an_address_keeps_its_filters_and_drops_what_is_empty() {
        let query: Asked = [("item", "L-1"), ("place", ""), ("done", "7"), ("after", "roll/R-1")]
            .map(|(a, b)| (a.to_owned(), b.to_owned()))
            .into();
        assert_eq!(link("/rolls", &query, &[("after", "")]), "/rolls?item=L-1");
        assert_eq!(link("/rolls", &Asked::new(), &[]), "/rolls");
    }
}
