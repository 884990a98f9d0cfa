//! One pass over all entries: the reading threads make facts, the judge takes them in order.

use std::collections::BTreeMap;

use tallyseal_schema::Time;
use tallyseal_schema::ids::Stream;

use crate::cannot_run::CannotRun;
use crate::chunk::{Fact, Scene};
use crate::findings::Findings;
use crate::judge::{Judge, Signed};
use crate::maker::Maker;
use crate::options::Options;
use crate::pipeline;
use crate::signing::Work;
use crate::source::Source;
use crate::tree_run::TreeRun;

/// What the pass leaves beside what the judge remembers.
pub(crate) struct Passed {
    pub(crate) tree: TreeRun,
    /// Size -> time of the last entry under it, for every size that was asked for.
    pub(crate) times: BTreeMap<u64, Time>,
    pub(crate) signed: Signed,
}

/// Looks at every entry. `seen` is told each with its stream before it is judged.
///
/// Errors: the entries could not be read.
pub(crate) fn run(
    source: &Source<'_>,
    scene: &Scene,
    judge: &mut Judge<'_>,
    options: &Options<'_>,
    findings: &mut Findings,
    seen: &mut dyn FnMut(&Fact, Option<&Stream>, &mut Findings),
) -> Result<Passed, CannotRun> {
    let work = Work::default();
    let (mut tree, mut times) = (TreeRun::new(), BTreeMap::new());
    let mut done = 0;
    pipeline::run(
        source,
        options.threads(),
        |reader, chunk| {
            let mut maker = Maker::new(scene, reader.before(chunk));
            reader.rows(chunk, &mut |row| maker.row(row))?;
            Ok(maker.finish())
        },
        || work.run(),
        |chunk| {
            tree.chunk(&chunk);
            done += chunk.facts.len() as u64;
            judge.chunk(chunk, findings, &work, &mut |fact, stream, findings| {
                if let Some((n, head)) = fact.n.zip(fact.head.as_ref())
                    && let Some(size) = n.checked_add(1).filter(|size| scene.sizes.binary_search(size).is_ok())
                {
                    times.insert(size, head.at);
                }
                seen(fact, stream, findings);
            });
            if let Some(progress) = options.progress {
                progress(done, source.total().max(done));
            }
        },
    )?;
    work.finish(options.threads(), findings);
    let signed = judge.finish(findings);
    Ok(Passed { tree, times, signed })
}
