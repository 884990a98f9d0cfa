//! The rules of label control. Pure: time, IDs and everything a rule may look at come in as arguments.
//!
//! [`decide`] turns a command into drafts of entries or a refusal; [`evolve`] only remembers. Neither does I/O.
//! What `decide` has not been given yet it asks for: it answers [`Stop::Need`], the caller supplies that one thing
//! and calls again. So what a command reads is exactly what it looked at, and nothing is listed twice.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod account;
mod authority;
mod book;
mod challenge;
mod codes;
mod command;
mod container;
mod count;
mod delivery;
mod deviation;
mod facts;
mod giving_back;
mod hand_count;
mod issue;
mod item;
mod limits;
mod line;
mod marks;
mod observe;
mod order;
mod overrides;
mod plugin;
mod quantity;
mod reconciliation;
mod refusal;
mod review;
mod roll;
mod session;
mod settle;
mod state;
mod station;
#[cfg(test)]
#[allow(clippy::disallowed_methods, reason = "the golden table of states and acts is a file")]
mod testing;
#[cfg(test)]
#[allow(dead_code, reason = "shared by the tests of several modules")]
mod testing_orders;
#[cfg(test)]
#[allow(clippy::type_complexity, reason = "tables of cases")]
mod tests;
mod text;
mod world;

pub use account::{AccountKey, AccountState, fold_account};
pub use authority::{AUTHORITY, Authority};
pub use book::{BookKey, BookState, TimeAuthority};
pub use command::{CodeRun, Command, Irregular, Piece};
pub use container::{ContainerState, ContainerStatus, DESTROY_DAYS};
pub use count::{CountState, CountStatus, Disposed, Fault, Taken, Totals};
pub use delivery::{DeliveryState, DeliveryStatus};
pub use deviation::{DeviationState, DeviationStatus};
pub use facts::{Facts, Standing};
pub use hand_count::{HAND_COUNT_MAX, HandCountState, HandCountStatus};
pub use issue::{Candidate, IssueState, IssueStatus, issued_so_far, lapsed, propose, proposed};
pub use item::{ItemState, ItemStatus, SupplierState};
pub use limits::{LimitSetState, LimitSetStatus};
pub use line::{ClearanceState, LineState};
pub use marks::marks;
pub use observe::{Follower, Summary, retold};
pub use order::{Frozen, Needed, OrderRoll, OrderState, OrderStatus, Quantity, needed};
pub use overrides::{OverrideState, OverrideStatus};
pub use plugin::{PluginState, PluginStatus};
pub use reconciliation::{
    ProductTest, Reckoning, ReconciliationState, accounted_percent, product_test, reckoned, unaccounted_percent,
};
pub use refusal::{Refusal, RefusalKind, Signs};
pub use roll::{CountAxis, Custody, Quality, RollCount, RollState, Settled, Tag};
pub use session::SessionState;
pub use settle::{Settlement, settle};
pub use state::{EvolveError, Key, Record, State, VIEW_VERSION, evolve};
pub use station::{Bound, SetUp, StationState, TestRollState};
pub use world::{Need, Stop, World};

use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, By, Hash, Time};

/// What a decision is taken under: the moment, the actor, and the key that the actor has opened.
#[derive(Debug, Clone)]
pub struct Context {
    /// The `at` that the entries will carry.
    pub at: Time,
    /// Who acts.
    pub by: By,
    /// Name (SHA-256 of the raw public key) of the signing key that the actor opened with their password for this
    /// command; `None` where none was opened.
    pub key: Option<Hash>,
}

/// One entry to be written, in order. Its place, time, hash and signature are the executor's work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Draft {
    /// An entry.
    Entry {
        /// In which stream.
        stream: Stream,
        /// What happened.
        body: Box<Body>,
        /// The reason, where one is required.
        why: Option<String>,
        /// When the actor says that it happened.
        occurred: Option<Time>,
    },
    /// A signature by the actor with the key named in [`Context::key`]: the executor makes the
    /// `signature.applied` entry in `record`'s stream, covering `record` and `also` up to where they stand then.
    Signature {
        /// What is signed.
        record: Stream,
        /// What the signature means: one of the table in `schema`.
        meaning: &'static str,
        /// Further streams that the signature covers.
        also: Vec<Stream>,
    },
}

impl Draft {
    /// An entry without a reason.
    pub fn entry(stream: &Stream, body: impl Into<Body>) -> Self {
        Self::Entry { stream: stream.clone(), body: Box::new(body.into()), why: None, occurred: None }
    }

    /// An entry with a reason.
    pub fn because(stream: &Stream, body: impl Into<Body>, why: &str) -> Self {
        Self::Entry { stream: stream.clone(), body: Box::new(body.into()), why: Some(why.to_owned()), occurred: None }
    }
}

/// A reason for something that is done outside a command, as it is recorded.
///
/// Errors: the refusal of a reason that says nothing, or cannot be read.
pub fn reason(why: &str) -> Result<String, Box<Refusal>> {
    text::reason(why).map_err(|stop| match stop {
        Stop::Refused(refusal) => refusal,
        Stop::Need(_) => Box::new(Refusal::internal("a text looks at nothing")),
    })
}

/// Decides a command.
///
/// Errors: [`Stop::Need`] when something that it must look at has not been supplied: supply it and call again.
/// [`Stop::Refused`] when a rule forbids it.
pub fn decide(world: &World, context: &Context, command: &Command) -> Result<Vec<Draft>, Stop> {
    command::decide(world, context, command)
}
