//! `DIR/config.toml`: what the operator of a book sets once, instead of saying it at every start.

use std::path::Path;

use serde::Deserialize;

use crate::cli::CannotRun;
use crate::witnesses::Asked;

/// What stands in the file. One that is not there sets nothing.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Config {
    /// Witnesses to ask, each `URL=KEY`.
    #[serde(default)]
    witness: Vec<String>,
}

impl Config {
    /// Reads the file of a data directory.
    ///
    /// Errors: it cannot be read, or says something that is not known here; in a sentence.
    pub(crate) fn read(dir: &Path) -> Result<Self, CannotRun> {
        let path = dir.join("config.toml");
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(CannotRun::because(format!("{} cannot be read: {error}", path.display()))),
        };
        toml::from_str(&text).map_err(|error| CannotRun::because(format!("{}: {}", path.display(), error.message())))
    }

    /// The witnesses that are set, with those that were said at the start. One that is in both is asked once.
    ///
    /// Errors: one of them is not `URL=KEY`; two have one key.
    pub(crate) fn witnesses(&self, said: &[Asked]) -> Result<Vec<Asked>, CannotRun> {
        let mut all: Vec<Asked> = Vec::new();
        let set =
            self.witness.iter().map(|text| text.parse::<Asked>().map_err(|error| format!("config.toml: {error}")));
        let set = set.collect::<Result<Vec<_>, _>>().map_err(CannotRun::because)?;
        for one in set.iter().chain(said) {
            match all.iter().find(|known| known.key() == one.key()) {
                Some(known) if known == one => {}
                Some(_) => {
                    return Err(CannotRun::because(format!(
                        "the witness {} is named with two addresses; name one of them",
                        one.key().name()
                    )));
                }
                None => all.push(one.clone()),
            }
        }
        Ok(all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const W1: &str = "http://127.0.0.1:8461=witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";

    #[test]
    fn what_is_not_known_is_refused_and_a_witness_is_asked_once() {
        let dir = std::env::temp_dir().join(format!("tallyseal-config-{}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        assert!(Config::read(&dir).unwrap().witnesses(&[]).unwrap().is_empty());
        let write = |text: &str| std::fs::write(dir.join("config.toml"), text).unwrap();
        write(&format!("witness = [\"{W1}\"]\n"));
        let config = Config::read(&dir).unwrap();
        assert_eq!(config.witnesses(&[W1.parse().unwrap()]).unwrap(), [W1.parse().unwrap()]);
        let elsewhere = W1.replace("8461", "8462").parse().unwrap();
        assert!(config.witnesses(&[elsewhere]).is_err());
        for bad in ["wittness = []\n", "witness = 7\n", "witness = [\n"] {
            write(bad);
            assert!(Config::read(&dir).is_err(), "{bad:?}");
        }
        write("witness = [\"http://127.0.0.1:1=x\"]\n");
        assert!(Config::read(&dir).unwrap().witnesses(&[]).is_err());
        std::fs::remove_dir_all(&dir).unwrap();
    }
}
