//! `DIR/config.toml`: what the operator of a book sets once, instead of saying it at every start.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use tallyseal_verify::time_stamp::Authorities;

use crate::cli::CannotRun;
use crate::time_stamps::Stamping;
use crate::witnesses::Asked;

/// What stands in the file. One that is not there sets nothing.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Config {
    /// Witnesses to ask, each `URL=KEY`.
    #[serde(default)]
    witness: Vec<String>,
    /// The time-stamping authority to ask.
    time_stamp: Option<TimeStamp>,
}

/// A time-stamping authority, and how often it is asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeStamp {
    /// Its certificates in PEM; a path that is not absolute is from the data directory.
    ca: Option<PathBuf>,
    /// See [`Stamping::every`].
    seconds: Option<u64>,
    url: String,
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

    /// The time-stamping authority that is set, or the one that was said at the start. `dir`: the data directory.
    ///
    /// Errors: two are named; its address is none; its certificates cannot be read.
    pub(crate) fn time_stamping(
        &self,
        dir: &Path,
        url: Option<&str>,
        ca: Option<&Path>,
        seconds: Option<u64>,
    ) -> Result<Option<Stamping>, CannotRun> {
        let set = self.time_stamp.as_ref();
        let url = match (set.map(|set| set.url.as_str()), url) {
            (Some(set), Some(said)) if set != said => {
                // Neither address is printed: it was not looked yet whether a password is in it.
                return Err(CannotRun::because(
                    "config.toml names one time-stamping authority and the command line another; name one of them",
                ));
            }
            (set, said) => match set.or(said) {
                Some(url) => url,
                None if ca.is_some() || seconds.is_some() => {
                    return Err(CannotRun::because(
                        "no time-stamping authority is named; say where it is with --time-stamp-url",
                    ));
                }
                None => return Ok(None),
            },
        };
        let path = ca.map(Path::to_owned).or_else(|| set.and_then(|set| set.ca.as_ref()).map(|ca| dir.join(ca)));
        let authorities = path.map(|path| {
            let pem = std::fs::read(&path)
                .map_err(|error| CannotRun::because(format!("{} cannot be read: {error}", path.display())))?;
            Authorities::read(&pem).map_err(|error| CannotRun::because(format!("{}: {error}", path.display())))
        });
        let seconds = seconds.or_else(|| set.and_then(|set| set.seconds));
        Ok(Some(Stamping::new(url, authorities.transpose()?, seconds)?))
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
        write("[time_stamp]\nurl = \"http://127.0.0.1:1/tsa\"\nseconds = 60\n");
        let config = Config::read(&dir).unwrap();
        let said = |url: &str, ca: Option<&str>, seconds| {
            config.time_stamping(&dir, Some(url), ca.map(Path::new), seconds).map(Option::unwrap)
        };
        let both = said("http://127.0.0.1:1/tsa", None, None).unwrap();
        assert_eq!((both.url.as_str(), both.every.as_secs()), ("http://127.0.0.1:1/tsa", 60));
        assert_eq!(said("http://127.0.0.1:1/tsa", None, Some(7)).unwrap().every.as_secs(), 7);
        assert!(said("http://127.0.0.1:2/tsa", None, None).is_err(), "two addresses");
        std::fs::write(dir.join("none.pem"), "nothing").unwrap();
        for ca in ["none.pem", "not-there.pem"] {
            assert!(said("http://127.0.0.1:1/tsa", dir.join(ca).to_str(), None).is_err(), "{ca}");
        }
        for bad in ["[time_stamp]\n", "[time_stamp]\nurl = \"http://a\"\nuri = 1\n"] {
            write(bad);
            assert!(Config::read(&dir).is_err(), "{bad:?}");
        }
        for bad in ["https://a", "a", "http://u@a", "http://a?b"] {
            write(&format!("[time_stamp]\nurl = \"{bad}\"\n"));
            assert!(Config::read(&dir).unwrap().time_stamping(&dir, None, None, None).is_err(), "{bad:?}");
        }
        std::fs::remove_dir_all(&dir).unwrap();
    }
}
