//! Plugins: loaded as a draft, approved by a reviewer who did not load them, kept for ever.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{MachineCounts, PluginApproved, PluginDrafted, PluginFile};
use tallyseal_schema::observation::Observation;
use tallyseal_schema::{Body, Entry, Hash};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::line;
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// Most files of a plugin. Rule: `FORMAT.md` section 5.
const FILES_MAX: usize = 64;

/// How far a plugin version has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PluginStatus {
    /// Waits for a reviewer.
    Drafted,
    /// May be bound to stations.
    Approved,
}

/// What is remembered of a plugin version.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PluginState {
    /// What the machine's total counts.
    pub counts: MachineCounts,
    /// Digest over its files.
    pub digest: Hash,
    /// What it may say.
    pub emits: BTreeSet<String>,
    /// Its files.
    pub files: Vec<PluginFile>,
    /// Its name.
    pub name: String,
    /// How far it has come.
    pub status: PluginStatus,
    /// Its version.
    pub version: String,
}

impl PluginState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::PluginDrafted(body) = body else { return None };
        Some(Self {
            counts: body.counts,
            digest: body.digest,
            emits: body.emits.clone(),
            files: body.files.clone(),
            name: body.name.clone(),
            status: PluginStatus::Drafted,
            version: body.version.clone(),
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        if let Body::PluginApproved(_) = entry.body {
            self.status = PluginStatus::Approved;
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("plugin.digest", self.digest));
        keys.push(Key::new("plugin.name", &self.name));
        keys.push(version_key(&self.name, &self.version));
        if self.status == PluginStatus::Drafted {
            keys.push(Key::new("plugin.drafted", "yes"));
        }
    }
}

/// The key of a version of a plugin. The quotes keep the two texts apart.
fn version_key(name: &str, version: &str) -> Key {
    Key::new("plugin.version", format_args!("{name:?} {version:?}"))
}

pub(crate) fn draft(world: &World, body: PluginDrafted) -> Result<Vec<Draft>, Stop> {
    if let Some(known) = world.set(&Key::new("plugin.digest", body.digest))?.first() {
        return Err(Refusal::conflict(
            "plugin-known",
            format!("These very files are in the book already, as {}.", known.id()),
            "Use that one, or load another version.",
        )
        .into());
    }
    let body = PluginDrafted { name: line("name", &body.name)?, version: line("version", &body.version)?, ..body };
    if body.files.is_empty() || body.files.len() > FILES_MAX {
        return Err(Refusal::internal("a plugin has its files, and not too many").into());
    }
    if let Some(stranger) = body.emits.iter().find(|name| !Observation::NAMES.contains(&name.as_str())) {
        return Err(Refusal::internal(&format!("a plugin cannot say {stranger:?}")).into());
    }
    if let Some(known) = world.set(&version_key(&body.name, &body.version))?.first() {
        return Err(Refusal::conflict(
            "version-known",
            format!(
                "Version {} of {} is in the book already, as {}, with other files.",
                body.version,
                body.name,
                known.id()
            ),
            "Give the changed plugin a new version.",
        )
        .into());
    }
    let stream: Stream = world.next(Thing::Plugin, "P", 0)?;
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn approve(world: &World, context: &Context, plugin: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Plugin, plugin);
    let state = world.plugin(&stream)?;
    if state.status != PluginStatus::Drafted {
        return Err(Refusal::conflict(
            "already-approved",
            format!("The plugin {plugin} is approved already."),
            "Nothing is left to do.",
        )
        .into());
    }
    let signed = signature(world, context, &stream, &[], "plugin approved")?;
    Ok(vec![Draft::entry(&stream, PluginApproved { digest: state.digest }), signed])
}
