//! Deviations: opened by rule or by a person.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{DeviationOpened, DeviationRule, Severity};
use tallyseal_schema::{Body, Entry};

use crate::Draft;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::said;
use crate::world::{Stop, World};

/// Most things that a person's deviation is about.
const ABOUT_MAX: usize = 200;

/// What is remembered of a deviation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviationState {
    /// What it is about.
    pub about: Vec<Stream>,
    /// By which rule it was opened.
    pub rule: DeviationRule,
    /// How grave.
    pub severity: Severity,
    /// What was found.
    pub text: String,
}

impl DeviationState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::DeviationOpened(body) = body else { return None };
        Some(Self { about: body.about.clone(), rule: body.rule, severity: body.severity, text: body.text.clone() })
    }

    pub(crate) fn evolve(&mut self, _entry: &Entry) {}

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("deviation.open", "yes"));
        for stream in &self.about {
            keys.push(Key::new("deviation.about", stream));
        }
    }
}

/// A deviation that a rule opens. `ahead`: how many this same decision has opened before it.
pub(crate) fn by_rule(
    world: &World,
    ahead: u64,
    rule: DeviationRule,
    severity: Severity,
    about: Vec<Stream>,
    text: String,
) -> Result<(Stream, Draft), Stop> {
    let stream = world.next(Thing::Deviation, "DV", ahead)?;
    let draft = Draft::entry(&stream, DeviationOpened { about, rule, severity, text });
    Ok((stream, draft))
}

pub(crate) fn by_person(world: &World, about: &[Stream], severity: Severity, text: &str) -> Result<Vec<Draft>, Stop> {
    if about.is_empty() || about.len() > ABOUT_MAX {
        return Err(Refusal::invalid(
            "about-nothing",
            format!("A deviation is about 1 to {ABOUT_MAX} things; this one names {}.", about.len()),
            "Scan what it is about; for more, name the delivery or the station instead of every roll.",
        )
        .into());
    }
    for stream in about {
        if world.record(stream)?.is_none() {
            return Err(Refusal::not_found(stream.thing(), stream).into());
        }
    }
    let (_, draft) = by_rule(world, 0, DeviationRule::Person, severity, about.to_vec(), said("what was found", text)?)?;
    Ok(vec![draft])
}
