//! The part of the checks that goes entry by entry in the order of n. Its memory grows with streams, not with entries.

mod accounts;
mod book_keys;
mod captures;
mod chain;
mod clock;
mod plugins;
mod separation;
mod signatures;
mod streams;

use std::sync::Arc;

use tallyseal_schema::ids::Stream;
use tallyseal_schema::{By, Hash, Time};

pub(crate) use accounts::{Accounts, founders};
pub(crate) use book_keys::BookKeys;

pub(crate) use plugins::{PluginFiles, Plugins, digest_of};

use crate::check::Check;
use crate::chunk::{Chunk, Fact};
use crate::detail::Detail;
use crate::findings::Findings;
use crate::report::{CompromisedKey, Signatures};
use crate::signing::Work;

use captures::Captures;
use chain::Chain;
use clock::Clock;
use streams::Streams;

/// Which entries of the book there are to judge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Extent {
    /// All of them.
    Whole,
    /// All from some n on; what was before is not known.
    Tail,
    /// Some streams from their beginning, others not at all.
    Streams,
}

/// Everything that is remembered from entry to entry.
pub(crate) struct Judge<'a> {
    /// The keys of the book.
    pub(crate) book_keys: BookKeys,
    chain: Chain,
    clock: Clock,
    extent: Extent,
    pub(crate) streams: Streams,
    pub(crate) accounts: Accounts,
    signatures: signatures::Signatures,
    captures: Captures,
    plugins: Plugins<'a>,
    /// Entries so far.
    pub(crate) entries: u64,
    /// The last entry that has a place.
    pub(crate) last: Option<(u64, Hash)>,
    /// Its time.
    pub(crate) last_at: Option<Time>,
}

impl<'a> Judge<'a> {
    /// Before the first entry.
    pub(crate) fn new(extent: Extent, plugins: Plugins<'a>) -> Self {
        Self {
            book_keys: BookKeys::default(),
            chain: Chain::new(extent),
            clock: Clock::default(),
            extent,
            streams: Streams::new(extent),
            accounts: Accounts::new(extent),
            signatures: signatures::Signatures::default(),
            captures: Captures::default(),
            plugins,
            entries: 0,
            last: None,
            last_at: None,
        }
    }

    /// The next entries. `seen` is told each entry with its stream and the stream's position after it.
    pub(crate) fn chunk(
        &mut self,
        chunk: Chunk,
        findings: &mut Findings,
        work: &Work,
        seen: &mut dyn FnMut(&Fact, Option<&Stream>, &mut Findings),
    ) {
        findings.looked(Check::Bytes, chunk.facts.len() as u64);
        findings.not_judged(Check::Bytes, "of a kind or version that this program does not know", chunk.unknown);
        if chunk.raw_bytes > 0 {
            findings.looked(Check::Captures, chunk.raw_bytes);
        }
        for (check, n, what) in chunk.faults {
            findings.fault(check, n, what);
        }
        let ids: Vec<usize> = chunk.streams.iter().map(|stream| self.streams.id(stream)).collect();
        for fact in &chunk.facts {
            let stream = fact.head.as_ref().and_then(|head| chunk.streams.get(head.stream));
            let id = fact.head.as_ref().and_then(|head| ids.get(head.stream)).copied();
            seen(fact, stream, findings);
            self.fact(fact, stream, id, findings, work);
        }
    }

    fn fact(&mut self, fact: &Fact, stream: Option<&Stream>, id: Option<usize>, findings: &mut Findings, work: &Work) {
        self.entries += 1;
        self.chain.fact(fact, findings);
        self.last = fact.n.zip(fact.leaf).or(self.last);
        let (Some(n), Some(head), Some(stream), Some(id)) = (fact.n, &fact.head, stream, id) else {
            self.clock.unreadable();
            return;
        };
        self.last_at = Some(head.at);
        self.clock.head(n, head, findings);
        if n == 0 || matches!(head.detail.as_deref(), Some(Detail::Opened(_))) {
            accounts::opening(n, head, stream, findings);
        }
        // Before this entry joins its stream: a signature covers what was there before it.
        if let Some(Detail::Signed(signed)) = head.detail.as_deref() {
            let entry = signatures::Place { n, at: head.at, rev: head.rev, stream };
            self.signatures.judge(entry, signed, &mut self.streams, &mut self.accounts, findings, work);
        }
        self.streams.entry(n, id, head, stream, fact.leaf, findings);
        self.plugins.by(n, &head.by, findings);
        if let Some(detail) = head.detail.as_deref() {
            self.book_keys.entry(n, detail, self.extent, findings);
            self.accounts.entry(n, stream, detail, findings);
            self.captures.entry(n, id, self.streams.whole(id), detail, findings);
            self.plugins.entry(n, detail, findings);
        }
    }

    /// After the last entry. Gives what has become of the signatures.
    pub(crate) fn finish(&mut self, findings: &mut Findings) -> Signed {
        self.plugins.finish(findings);
        self.chain.finish(findings);
        self.clock.finish(findings);
        let fallen = self.signatures.fallen(&self.accounts);
        let signatures = self.streams.standing_and_void(&fallen);
        Signed { signatures, compromised: self.accounts.compromised(&fallen) }
    }
}

/// What has become of the signatures.
pub(crate) struct Signed {
    pub(crate) signatures: Signatures,
    pub(crate) compromised: Vec<CompromisedKey>,
}

/// Two authors are the same.
pub(crate) fn same_author(a: &Arc<By>, b: &Arc<By>) -> bool {
    Arc::ptr_eq(a, b) || a == b
}
