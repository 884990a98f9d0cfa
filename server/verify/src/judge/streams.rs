//! Streams: how far each is, the tree over it, who did what in it.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use tallyseal_schema::ids::Stream;
use tallyseal_schema::tree::Frontier;
use tallyseal_schema::{AccountId, Hash};

use super::Extent;
use crate::check::Check;
use crate::chunk::Head;
use crate::detail::Detail;
use crate::findings::Findings;
use crate::report::Signatures;

/// What is remembered of one stream.
pub(crate) struct StreamState {
    /// Its last position; 0 before its first entry.
    pub(super) rev: u64,
    /// Every entry from 1 to `rev` was there.
    pub(super) whole: bool,
    /// The tree over its entries, as long as it is whole.
    pub(super) frontier: Frontier,
    /// The `n` of the signatures since its last content.
    standing: Vec<u64>,
    pub(super) doings: Option<Box<Doings>>,
}

/// Who did what in a stream, as far as it excludes somebody from signing.
#[derive(Default)]
pub(super) struct Doings {
    /// Entry kind and who made one.
    pub(super) did: Vec<(&'static str, AccountId)>,
    /// Meaning and who signed so.
    pub(super) signed: Vec<(String, AccountId)>,
}

pub(crate) struct Streams {
    extent: Extent,
    /// The streams that must be here in full, where not all are.
    listed: BTreeSet<Stream>,
    ids: HashMap<Stream, usize>,
    states: Vec<StreamState>,
    void: u64,
}

impl Streams {
    pub(super) fn new(extent: Extent) -> Self {
        Self { extent, listed: BTreeSet::new(), ids: HashMap::new(), states: Vec::new(), void: 0 }
    }

    /// These streams must be here in full.
    pub(crate) fn list(&mut self, listed: impl IntoIterator<Item = Stream>) {
        self.listed.extend(listed);
    }

    /// The number of a stream in this run.
    pub(super) fn id(&mut self, stream: &Stream) -> usize {
        if let Some(id) = self.ids.get(stream) {
            return *id;
        }
        let id = self.states.len();
        self.ids.insert(stream.clone(), id);
        self.states.push(StreamState {
            rev: 0,
            whole: true,
            frontier: Frontier::new(),
            standing: Vec::new(),
            doings: None,
        });
        id
    }

    /// What is known of a stream that has had an entry.
    pub(super) fn get(&self, stream: &Stream) -> Option<&StreamState> {
        self.ids.get(stream).and_then(|id| self.states.get(*id)).filter(|state| state.rev > 0)
    }

    /// True where the entries of that stream would be here if there were any.
    pub(super) fn expected(&self, stream: &Stream) -> bool {
        match self.extent {
            Extent::Whole => true,
            Extent::Tail => false,
            Extent::Streams => self.listed.contains(stream),
        }
    }

    /// True where every entry of the stream so far was there.
    pub(super) fn whole(&self, id: usize) -> bool {
        self.states.get(id).is_some_and(|state| state.whole)
    }

    /// How far a stream is, and whether every entry up to there was there.
    pub(crate) fn extent_of(&self, stream: &Stream) -> (u64, bool) {
        self.get(stream).map_or((0, true), |state| (state.rev, state.whole))
    }

    /// An entry joins its stream.
    pub(super) fn entry(
        &mut self,
        n: u64,
        id: usize,
        head: &Head,
        stream: &Stream,
        leaf: Option<Hash>,
        findings: &mut Findings,
    ) {
        let Some(state) = self.states.get_mut(id) else { return };
        let first = state.rev == 0;
        if state.rev.checked_add(1) == Some(head.rev) {
            match leaf {
                Some(leaf) if state.whole => state.frontier.push(leaf),
                _ => state.whole = false,
            }
        } else {
            state.whole = false;
            // What was before a dump is not known.
            if !(first && self.extent == Extent::Tail) {
                let what = format!("rev {} of {stream} where rev {} must be", head.rev, state.rev.saturating_add(1));
                findings.fault(Check::Chain, Some(n), what);
            }
        }
        state.rev = head.rev;
        if head.content {
            self.void += state.standing.len() as u64;
            state.standing.clear();
        }
        if let Some((kind, account)) = &head.doer {
            let did = &mut state.doings.get_or_insert_default().did;
            if !did.iter().any(|(known, who)| known == kind && who == account) {
                did.push((kind, account.clone()));
            }
        }
        if let Some(Detail::Signed(signed)) = head.detail.as_deref() {
            state.standing.push(n);
            let signers = &mut state.doings.get_or_insert_default().signed;
            if !signers.iter().any(|(meaning, who)| *meaning == signed.body.meaning && *who == signed.body.account) {
                signers.push((signed.body.meaning.clone(), signed.body.account.clone()));
            }
        }
    }

    /// What has become of the signatures, where those at the entries `fallen` do not stand for a compromised key.
    pub(super) fn standing_and_void(&self, fallen: &BTreeMap<u64, Hash>) -> Signatures {
        let mut signatures = Signatures { void: self.void, ..Signatures::default() };
        for n in self.states.iter().flat_map(|state| &state.standing) {
            match fallen.contains_key(n) {
                true => signatures.compromised += 1,
                false => signatures.standing += 1,
            }
        }
        signatures
    }
}
