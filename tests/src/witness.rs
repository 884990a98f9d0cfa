//! A real witness on loopback, ended with the test.

use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use tempfile::TempDir;

use crate::book::Kept;
use crate::verifiers::{binary, tallyseal};

/// A witness with a directory of its own.
pub struct Witness {
    address: String,
    child: Option<Child>,
    folder: TempDir,
    /// Its public key.
    pub key: String,
}

/// What a witness answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The body.
    pub body: String,
    /// What the body is said to be.
    pub content_type: String,
    /// The HTTP status; 0 where nobody answers.
    pub status: u16,
}

impl Witness {
    /// A witness that runs and follows the book with that key.
    pub fn of(book: &str) -> Self {
        let folder = TempDir::new().unwrap();
        let mut witness = Self { address: "127.0.0.1:0".to_owned(), child: None, folder, key: String::new() };
        witness.key = witness.told(&["init", "--name", "witness.example/w1"]);
        assert_eq!(witness.told(&["follow", "--log", book]), format!("Follows {}.", book.split('+').next().unwrap()));
        witness.start();
        witness
    }

    /// The witness of that key, started again on what it left: it remembers what it cosigned.
    pub fn again(kept: &Kept, key: &str) -> Self {
        let folder = TempDir::new().unwrap();
        let mut witness = Self { address: "127.0.0.1:0".to_owned(), child: None, folder, key: key.to_owned() };
        kept.put(&witness.dir());
        witness.start();
        witness
    }

    /// Ends it; gives what it leaves.
    pub fn keep(mut self) -> Kept {
        self.kill();
        Kept::of(&self.dir())
    }

    /// Its directory.
    pub fn dir(&self) -> PathBuf {
        self.folder.path().join("witness")
    }

    /// One of its commands; gives what it printed.
    fn told(&self, words: &[&str]) -> String {
        let dir = self.dir();
        let said = tallyseal(["witness", words[0], "--dir", dir.to_str().unwrap()].iter().chain(&words[1..]));
        assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
        String::from_utf8(said.stdout).unwrap().trim().to_owned()
    }

    /// Starts it, at the address that it had before.
    pub fn start(&mut self) {
        let mut child = Command::new(binary("tallyseal"))
            .args(["witness", "serve", "--listen", &self.address, "--dir"])
            .arg(self.dir())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        self.child = Some(child);
        let (name, url) = line.trim_end().split_once(" at http://").expect("it says where it is");
        assert_eq!(name, "Witness witness.example/w1");
        self.address = url.to_owned();
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        let mut child = self.child.take().expect("it runs");
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// How a server is told of it.
    pub fn asked(&self) -> String {
        format!("http://{}={}", self.address, self.key)
    }

    /// Sends it a body.
    pub fn send(&self, body: &str) -> Answer {
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build()
            .new_agent();
        match agent.post(format!("http://{}/add-checkpoint", self.address)).send(body) {
            Ok(mut response) => {
                let content_type = response.headers().get("content-type").and_then(|value| value.to_str().ok());
                Answer {
                    content_type: content_type.unwrap_or_default().to_owned(),
                    status: response.status().as_u16(),
                    body: response.body_mut().read_to_string().unwrap(),
                }
            }
            Err(error) => Answer { body: error.to_string(), content_type: String::new(), status: 0 },
        }
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            // One that has ended by itself is gone already.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
