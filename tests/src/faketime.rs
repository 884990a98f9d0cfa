//! The clock of the machine, set back and forward by Debian's `faketime`: its library stands before the system's own and
//! leaves the monotonic clock and `/proc/uptime` alone, as setting a real clock does.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::server::Server;
use crate::verifiers::binary;

/// The library of the package `faketime`.
fn library() -> PathBuf {
    let places = std::fs::read_dir("/usr/lib").unwrap().map(|place| place.unwrap().path());
    let mut found = places.map(|place| place.join("faketime/libfaketime.so.1")).filter(|file| file.exists());
    found.next().expect("the package faketime is not installed; tests/run installs it")
}

/// A variable of a server's environment, and its value.
pub type Variable = (&'static str, String);

fn faked() -> Vec<Variable> {
    vec![("LD_PRELOAD", library().display().to_string()), ("FAKETIME_DONT_FAKE_MONOTONIC", "1".to_owned())]
}

/// The environment of a server whose clock is off by so much, as `faketime -f OFFSET` makes it.
pub fn off_by(offset: &str) -> Vec<Variable> {
    let mut environment = faked();
    environment.push(("FAKETIME", offset.to_owned()));
    environment
}

/// A clock that is set while a server runs.
pub struct SetClock(TempDir);

impl SetClock {
    /// One that is right.
    pub fn right() -> Self {
        let clock = Self(TempDir::new().unwrap());
        clock.set("+0");
        clock
    }

    fn file(&self) -> PathBuf {
        self.0.path().join("offset")
    }

    /// Off by so much from now on, as `faketime -f OFFSET` says it.
    pub fn set(&self, offset: &str) {
        std::fs::write(self.file(), format!("{offset}\n")).unwrap();
    }

    /// The environment of the server that has this clock.
    pub fn environment(&self) -> Vec<Variable> {
        let mut environment = faked();
        environment.push(("FAKETIME_TIMESTAMP_FILE", self.file().display().to_string()));
        environment.push(("FAKETIME_NO_CACHE", "1".to_owned()));
        environment
    }
}

/// Starts a server in that environment with more words on its command line; what it said where it ended before it served.
pub fn start(dir: &Path, environment: &[Variable], more: &[&str]) -> Result<Server, String> {
    let environment: Vec<(&str, &str)> = environment.iter().map(|(name, value)| (*name, value.as_str())).collect();
    Server::try_start_at(dir, &binary("tallyseal"), &environment, "127.0.0.1:0", more)
}
