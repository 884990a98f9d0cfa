//! From the bytes of a plugin's files to a plugin that may run. Everything that can be refused before the first frame is
//! refused here, with the place and what to write instead.

mod framing;
mod rules;

use std::fmt;
use std::path::Path;
use std::sync::Arc;

use tallyseal_schema::kinds::MachineCounts;
use tallyseal_schema::observation::Observation;
use tallyseal_schema::plugin_files::{Files, PluginFilesError, digest};

use crate::declaration::{Counts, Declaration};
use crate::folder::{self, FolderError};
use crate::plugin::{Plugin, Program};

/// The file that every plugin has.
pub(crate) const DECLARATION: &str = "plugin.toml";

/// Why a plugin cannot be loaded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LoadError {
    /// The files are not those of a plugin.
    Files(PluginFilesError),
    /// There is no `plugin.toml`.
    NoDeclaration,
    /// A script; its path. This version runs declared rules only.
    Script(String),
    /// `plugin.toml` is not UTF-8 text.
    NotText,
    /// `plugin.toml` is not TOML, or has an unknown key or a value of a wrong type; with its line.
    Toml(String),
    /// A value that cannot be, or does not fit the others.
    Wrong {
        /// Where: a key, or a rule and its field.
        place: String,
        /// What is wrong, and what is known.
        what: String,
    },
}

impl LoadError {
    pub(crate) fn wrong(place: impl Into<String>, what: impl Into<String>) -> Self {
        Self::Wrong { place: place.into(), what: what.into() }
    }
}

impl fmt::Display for LoadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Files(error) => error.fmt(f),
            Self::NoDeclaration => write!(f, "there is no {DECLARATION}"),
            Self::Script(path) => {
                write!(f, "{path}: scripts are not supported by this version; say it in rules in {DECLARATION}")
            }
            Self::NotText => write!(f, "{DECLARATION} is not UTF-8 text"),
            Self::Toml(what) => write!(f, "{DECLARATION}: {}", what.trim_end()),
            Self::Wrong { place, what } => write!(f, "{DECLARATION}, {place}: {what}"),
        }
    }
}

impl std::error::Error for LoadError {}

impl Plugin {
    /// Reads a plugin from the bytes of its files and makes it ready to run.
    ///
    /// Errors: [`LoadError`]; the author mends what it names.
    pub fn load(files: &Files) -> Result<Self, LoadError> {
        let digest = digest(files).map_err(LoadError::Files)?;
        if let Some(path) = files.keys().find(|path| path.ends_with(".rhai")) {
            return Err(LoadError::Script(path.clone()));
        }
        let bytes = files.get(DECLARATION).ok_or(LoadError::NoDeclaration)?;
        let text = std::str::from_utf8(bytes).map_err(|_| LoadError::NotText)?;
        let declared: Declaration = toml::from_str(text).map_err(|error| LoadError::Toml(error.to_string()))?;
        check_header(&declared)?;
        let emits = emitted(&declared.emits)?;
        let (shape, framing) = framing::shape(&declared.framing)?;
        let encoding = declared.framing.encoding;
        let rules = rules::compile(&declared.rule, encoding, &emits)?;
        Ok(Self {
            program: Arc::new(Program {
                digest,
                name: declared.name,
                version: declared.version,
                about: declared.about,
                emits,
                counts: match declared.counts {
                    Counts::Labels => MachineCounts::Labels,
                    Counts::Pitches => MachineCounts::Pitches,
                },
                encoding,
                shape,
                framing,
                rules,
            }),
        })
    }

    /// The files in a plugin's folder, read once. What is approved and run later are these bytes, never the folder.
    ///
    /// Errors: [`FolderError`], where something in the folder cannot be part of a plugin. Rule: `FORMAT.md` section 5.
    pub fn read_folder(dir: &Path) -> Result<Files, FolderError> {
        folder::read(dir)
    }
}

fn check_header(declared: &Declaration) -> Result<(), LoadError> {
    if declared.api != i64::from(Plugin::API) {
        let what = format!("this version knows api = {}, not {}", Plugin::API, declared.api);
        return Err(LoadError::wrong("api", what));
    }
    let name = declared.name.as_bytes();
    let name_byte = |b: &u8| b.is_ascii_lowercase() || b.is_ascii_digit() || *b == b'-';
    if !(1..=32).contains(&name.len()) || name.first() == Some(&b'-') || !name.iter().all(name_byte) {
        return Err(LoadError::wrong("name", "must be 1 to 32 of a-z, 0-9 and '-', and not begin with '-'"));
    }
    let part = |part: &str| (1..=5).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
    if declared.version.split('.').count() != 3 || !declared.version.split('.').all(part) {
        return Err(LoadError::wrong("version", "must be three numbers joined by dots, such as 1.0.0"));
    }
    let about = declared.about.chars().count();
    if !(1..=200).contains(&about) || declared.about.chars().any(char::is_control) {
        return Err(LoadError::wrong("about", "must be one line of 1 to 200 characters"));
    }
    Ok(())
}

/// The declared observations, in the order of the documentation.
fn emitted(declared: &[String]) -> Result<Vec<&'static str>, LoadError> {
    let known = || Observation::NAMES.join(", ");
    if declared.is_empty() {
        return Err(LoadError::wrong("emits", format!("names nothing; what may be emitted: {}", known())));
    }
    for (at, name) in declared.iter().enumerate() {
        if !Observation::NAMES.contains(&name.as_str()) {
            return Err(LoadError::wrong("emits", format!("`{name}` is not an observation; they are: {}", known())));
        }
        if declared.iter().take(at).any(|other| other == name) {
            return Err(LoadError::wrong("emits", format!("`{name}` stands there twice")));
        }
    }
    Ok(Observation::NAMES.into_iter().filter(|name| declared.iter().any(|other| other == name)).collect())
}
