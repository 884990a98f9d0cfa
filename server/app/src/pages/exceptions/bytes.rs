//! The bytes that a machine sent, around what was understood from them: the raw proof of an exception.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path};
use askama::Template;
use tallyseal_book::Book;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, Entry, Hash};

use super::super::act::named;
use super::super::visitor::Visitor;
use super::super::{Frame, PageError, href, page, words};
use super::{gather, may_read};
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// Bytes shown before and after what is meant.
const AROUND: usize = 256;
/// Bytes shown where a whole piece is meant.
const SHOWN: usize = 2_048;
/// Bytes in one row.
const ROW: usize = 16;
/// Entries around one that names no bytes itself, among which those of the same moment are looked for.
const NEAR: u64 = 60;

/// Where the bytes are.
struct Place {
    /// What is meant, from the beginning of the piece; `None`: all of it.
    meant: Option<(u64, u64)>,
    /// Where the piece begins on its link.
    offset: u64,
    link: String,
    sha256: Hash,
}

/// One row of bytes.
struct Line {
    /// Where it begins on its link.
    at: String,
    /// In hexadecimal, and whether it is meant.
    hex: Vec<(String, bool)>,
    text: Vec<(String, bool)>,
}

#[derive(Template)]
#[template(path = "exception_bytes.html")]
struct BytesPage {
    cut: bool,
    frame: Frame,
    from: String,
    href: String,
    kind: String,
    length: String,
    lines: Vec<Line>,
    link: String,
    /// The bytes as text, those that are meant apart.
    message: Vec<(String, bool)>,
    n: u64,
    named: String,
    sha256: String,
    when: words::When,
}

pub(in super::super) async fn bytes(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    n: Path<u64>,
) -> Result<HttpResponse, PageError> {
    let n = n.into_inner();
    let missing = || DeskError::NotFound(format!("machine bytes of entry {n}"));
    let entry = gather::read(&desk.book().entry(n)?.ok_or_else(missing)?)?;
    let counted = Counted::now(desk.book())?;
    if !may_read(&counted, &seat) || counted.says(desk.book(), &entry.header.stream)? {
        return Err(desk.may_not_read(&seat, Some(entry.header.stream.clone())).await.into());
    }
    let place = place(desk.book(), &entry)?.ok_or_else(missing)?;
    let raw = desk.book().capture(&place.sha256)?.ok_or_else(missing)?;
    let (first, last) = excerpt(raw.len(), place.meant);
    let shown = raw.get(first..last).unwrap_or_default();
    let meant = |at: usize| place.meant.is_some_and(|(from, to)| (from..to).contains(&((first + at) as u64)));
    let page_of = BytesPage {
        cut: first > 0 || last < raw.len(),
        from: words::number(place.offset + first as u64),
        frame: Frame::new(&desk, Some(&seat), "exceptions", format!("What the machine sent: entry {n}")),
        href: href(&entry.header.stream),
        kind: words::kind(&entry.header.kind),
        length: words::number(raw.len() as u64),
        lines: lines(shown, place.offset + first as u64, &meant),
        link: place.link,
        message: runs(shown.iter().enumerate().map(|(at, byte)| (message_of(*byte), meant(at)))),
        n,
        named: words::capital(&named(&entry.header.stream)),
        sha256: place.sha256.to_string(),
        when: words::when(entry.header.at, desk.zone()),
    };
    page(&page_of)
}

/// Where the bytes of an entry are: it says so itself, or what was written in the same moment does.
fn place(book: &Book, entry: &Entry) -> Result<Option<Place>, PageError> {
    if let Some(place) = own_place(book, entry)? {
        return Ok(Some(place));
    }
    let n = entry.header.n;
    let near = book.entries(n.saturating_sub(NEAR), n.saturating_add(NEAR))?;
    let mut whole = None;
    for bytes in near {
        let other = gather::read(&bytes)?;
        if other.header.at != entry.header.at || other.header.n == n {
            continue;
        }
        match &other.body {
            Body::CountFaultSeen(_) => return own_place(book, &other),
            Body::CountSegmentCaptured(_) => whole = whole.or(Some(other)),
            _ => {}
        }
    }
    match whole {
        Some(other) => own_place(book, &other),
        None => Ok(None),
    }
}

fn own_place(book: &Book, entry: &Entry) -> Result<Option<Place>, PageError> {
    Ok(match &entry.body {
        Body::CountSegmentCaptured(body) => {
            Some(Place { link: body.link.clone(), meant: None, offset: body.offset, sha256: body.sha256 })
        }
        Body::StationStrayCaptured(body) => {
            Some(Place { link: body.link.clone(), meant: None, offset: 0, sha256: body.sha256 })
        }
        Body::CountFaultSeen(body) => piece(book, &entry.header.stream, &body.link, body.from, body.to)?,
        Body::CountMachineReported(body) => piece(book, &entry.header.stream, &body.link, body.from, body.to)?,
        _ => None,
    })
}

/// The piece of a count that holds these bytes of its link.
fn piece(book: &Book, count: &Stream, link: &str, from: u64, to: u64) -> Result<Option<Place>, PageError> {
    for entry in gather::entries(book, count)? {
        let Body::CountSegmentCaptured(body) = entry.body else { continue };
        if body.link == link && body.offset <= from && from < body.offset.saturating_add(body.length) {
            let meant = Some((from - body.offset, to.saturating_sub(body.offset)));
            return Ok(Some(Place { link: body.link, meant, offset: body.offset, sha256: body.sha256 }));
        }
    }
    Ok(None)
}

/// Which part of a piece is shown: whole rows around what is meant, never more than so much.
fn excerpt(length: usize, meant: Option<(u64, u64)>) -> (usize, usize) {
    let index = |at: u64| usize::try_from(at).unwrap_or(usize::MAX).min(length);
    let (from, to) = match meant {
        Some((from, to)) => (index(from).saturating_sub(AROUND), index(to).saturating_add(AROUND)),
        None => (0, SHOWN),
    };
    let first = from - from % ROW;
    (first, to.min(first.saturating_add(SHOWN)).min(length))
}

fn lines(shown: &[u8], offset: u64, meant: &dyn Fn(usize) -> bool) -> Vec<Line> {
    let line = |(row, bytes): (usize, &[u8])| {
        let each = || bytes.iter().enumerate().map(move |(at, byte)| (*byte, meant(row * ROW + at)));
        Line {
            at: words::number(offset + (row * ROW) as u64),
            hex: runs(each().map(|(byte, meant)| (format!("{byte:02x} "), meant))),
            text: runs(each().map(|(byte, meant)| (printable(byte).to_string(), meant))),
        }
    };
    shown.chunks(ROW).enumerate().map(line).collect()
}

/// A byte as a character; a dot where it is none.
fn printable(byte: u8) -> char {
    if byte.is_ascii_graphic() || byte == b' ' { char::from(byte) } else { '\u{00b7}' }
}

/// A byte in a message: ends of lines end lines, other control bytes have their number.
fn message_of(byte: u8) -> String {
    match byte {
        b'\n' => "\n".to_owned(),
        b'\r' => String::new(),
        byte if byte.is_ascii_graphic() || byte == b' ' => char::from(byte).to_string(),
        byte => format!("\u{2039}{byte:02x}\u{203a}"),
    }
}

/// Neighbours of the same sort as one.
fn runs(each: impl Iterator<Item = (String, bool)>) -> Vec<(String, bool)> {
    let mut runs: Vec<(String, bool)> = Vec::new();
    for (text, meant) in each {
        match runs.last_mut() {
            Some((run, same)) if *same == meant => run.push_str(&text),
            _ => runs.push((text, meant)),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_excerpt_begins_with_a_row_holds_what_is_meant_and_is_bounded() {
        for (length, meant, expected) in [
            (10, None, (0, 10)),
            (100_000, None, (0, 2_048)),
            (100_000, Some((1_000, 1_020)), (736, 1_276)),
            (1_100, Some((1_000, 1_020)), (736, 1_100)),
            (100_000, Some((0, 90_000)), (0, 2_048)),
            (50, Some((90, 95)), (0, 50)),
        ] {
            assert_eq!(excerpt(length, meant), expected, "{length} {meant:?}");
        }
    }

    #[test]
    fn bytes_are_shown_as_text_and_numbers_with_what_is_meant_apart() {
        let lines = lines(b"A<\x01", 32, &|at| at == 1);
        let [line] = lines.as_slice() else { panic!("one row") };
        assert_eq!(line.at, "32");
        let own = |text: &str, meant: bool| (text.to_owned(), meant);
        assert_eq!(line.hex, [own("41 ", false), own("3c ", true), own("01 ", false)]);
        assert_eq!(line.text, [own("A", false), own("<", true), own("\u{00b7}", false)]);
        assert_eq!(message_of(2), "\u{2039}02\u{203a}");
    }
}
