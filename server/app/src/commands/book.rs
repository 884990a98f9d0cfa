//! `tallyseal export`, `dump`, `checkpoint`, `rebuild`: on a book at rest they do it themselves, on a served one they
//! ask its server.

use std::io::Write as _;
use std::path::Path;
use std::str::FromStr as _;
use std::time::Duration;

use tallyseal_book::{Layout, Reader};
use tallyseal_report::paper::Sheet;
use tallyseal_schema::By;
use tallyseal_schema::ids::Stream;

use crate::cli::{CannotRun, Outcome, Ran, runtime};
use crate::control_socket::{Ask, ask};
use crate::export::{self, How};
use crate::say;
use crate::server::open_book;

pub(crate) fn export(dir: &Path, record: &str, sheet: Sheet, out: &Path) -> Ran {
    let record = Stream::from_str(record)?;
    let absolute = std::path::absolute(out)?;
    let asked = Ask::Export { record: record.clone(), sheet, out: absolute.clone() };
    if ask(&Layout::new(dir).socket(), &asked, &say::doing)?.is_none() {
        runtime()?.block_on(async {
            let book = open_book(dir, None)?;
            let (by, told) = (By::system("command-line"), |stage: export::Stage| say::doing(stage.said()));
            // The book is at rest: nobody asks its witnesses.
            let how = How { sheet, patience: Duration::ZERO };
            let done = export::export_to(book.clone(), by, record, how, absolute.clone(), &told).await;
            book.shutdown().await;
            done.map_err(CannotRun::because)
        })?;
    }
    say::line(format_args!("{}", absolute.display()))?;
    Ok(Outcome::Good)
}

pub(crate) fn dump(dir: &Path, from: u64, to: Option<u64>) -> Ran {
    let reader = Reader::open(dir)?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let last = to.unwrap_or(u64::MAX);
    let mut next = from;
    while next <= last {
        let entries = reader.entries(next, last.min(next.saturating_add(999)))?;
        let Some(more) = u64::try_from(entries.len()).ok().filter(|more| *more > 0) else { break };
        for bytes in entries {
            out.write_all(&bytes).and_then(|()| out.write_all(b"\n")).map_err(say::failed)?;
        }
        next = next.saturating_add(more);
    }
    out.flush().map_err(say::failed)?;
    Ok(Outcome::Good)
}

pub(crate) fn checkpoint(dir: &Path, key: bool) -> Ran {
    let asked = if key { Ask::Key } else { Ask::Checkpoint };
    let text = match ask(&Layout::new(dir).socket(), &asked, &say::doing)? {
        Some(text) => text,
        None => {
            let reader = Reader::open(dir)?;
            if key { reader.verifier_key()? } else { reader.checkpoint()? }
        }
    };
    say::line(format_args!("{}", text.trim_end_matches('\n')))?;
    Ok(Outcome::Good)
}

pub(crate) fn rebuild(dir: &Path) -> Ran {
    let folded = tallyseal_book::rebuild(dir)?;
    say::line(format_args!("The views are made anew from {folded} entries."))?;
    Ok(Outcome::Good)
}
