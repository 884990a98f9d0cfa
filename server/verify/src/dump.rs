//! A dump: the exact bytes of entries, one per line, from any n on.

use std::path::Path;

use tallyseal_schema::ids::Stream;

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::chunk::{Fact, Scene};
use crate::directory::{Ended, finished, given};
use crate::entries_run;
use crate::findings::Findings;
use crate::judge::{Extent, Judge, PluginFiles, Plugins};
use crate::notes;
use crate::options::Options;
use crate::report::{Report, SourceKind};
use crate::source::{Lines, Opening, Source};
use crate::stamps::{self, Stamps};

/// Verifies a dump. Where it does not begin at entry 0, what was before is not known, and the report says so.
pub(crate) fn verify(path: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let lines = Lines::of_file(path)?;
    if lines.count == 0 {
        return Err(CannotRun::new(format!("{} holds no entry", path.display())));
    }
    let mut findings = Findings::new(&options.skip);
    let opening = Opening::of(&lines.first()?);
    let from_zero = opening.n == Some(0);
    let texts = given(options);
    for check in [Check::Bytes, Check::Chain, Check::Time, Check::Keys, Check::Signatures, Check::Separation] {
        findings.looked(check, 0);
    }

    let scene = Scene { book: opening.book.clone(), sizes: notes::sizes(&texts), contiguous: true, raw_bytes: None };
    let extent = if from_zero { Extent::Whole } else { Extent::Tail };
    let mut judge = Judge::new(extent, Plugins::new(PluginFiles::NotHere, from_zero));
    let source = Source::Lines(lines);
    let tokens: Vec<_> = stamps::given(options).collect();
    let mut stamps = Stamps::judge(&tokens, &texts, options, &mut findings);
    let mut seen = |fact: &Fact, _: Option<&Stream>, _: &mut Findings| stamps.entry(fact);
    let passed = entries_run::run(&source, &scene, &mut judge, options, &mut findings, &mut seen)?;

    let end = judge.last.map_or(0, |(n, _)| n.saturating_add(1));
    let mut report =
        Ended { judge: &judge, passed: &passed, book: opening.book.as_ref(), end, from_zero, stamps: &stamps }
            .held_against(&texts, options, &mut findings);
    if !from_zero {
        let first = opening.n.map_or("an unknown n".to_owned(), |n| format!("n {n}"));
        report.notes.push(format!(
            "the dump begins at {first}: the start of the chain, the tree and what rests on earlier entries were not judged"
        ));
    }
    report
        .notes
        .push("raw bytes of machines and files of plugins are not part of a dump and were not judged".to_owned());
    report.source = SourceKind::Dump;
    report.book = opening.book;
    Ok(finished(report, findings))
}
