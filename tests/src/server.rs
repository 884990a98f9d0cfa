//! The real server on a book of its own, on loopback, ended with the test.

use std::io::{BufRead as _, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use tempfile::TempDir;

use crate::verifiers::{binary, tallyseal};

/// A founder's account and one-time secret.
#[derive(Debug, Clone)]
pub struct Founder {
    /// The account.
    pub account: String,
    /// The secret, printed once by `init`.
    pub secret: String,
}

/// A book that was opened with `tallyseal init`.
pub struct NewBook {
    /// Keeps the folder until the test ends.
    pub folder: TempDir,
    /// Administrator and reviewer.
    pub founders: [Founder; 2],
    /// The book's key.
    pub key: String,
}

impl NewBook {
    /// Opens a book in a new folder.
    pub fn open() -> Self {
        let folder = TempDir::new().unwrap();
        let dir = folder.path().join("book");
        let output = tallyseal([
            "init",
            "--dir",
            dir.to_str().unwrap(),
            "--book",
            "label-room.example/plant-1",
            "--zone",
            "Europe/Prague",
        ]);
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let word = |line: &str, place: usize| line.split_whitespace().nth(place).unwrap_or_default().to_owned();
        let founder = |account: &str| {
            let line =
                said.lines().find(|line| line.trim_start().starts_with(account)).expect("init names its founders");
            Founder { account: word(line, 0), secret: word(line, 1) }
        };
        let key = said.lines().find(|line| line.contains("plant-1+")).expect("init names the key").trim().to_owned();
        Self { founders: [founder("U-0001"), founder("U-0002")], key, folder }
    }

    /// The data directory.
    pub fn dir(&self) -> PathBuf {
        self.folder.path().join("book")
    }
}

/// A server that runs.
pub struct Server {
    child: Child,
    readers: Vec<JoinHandle<()>>,
    said: Arc<Mutex<Vec<u8>>>,
    /// `http://127.0.0.1:PORT`.
    pub url: String,
}

impl Server {
    /// Starts the server on a book.
    pub fn start(dir: &Path) -> Self {
        Self::start_with(dir, &binary("tallyseal"), &[])
    }

    /// Starts that binary with those variables in its environment.
    pub fn start_with(dir: &Path, binary: &Path, environment: &[(&str, &str)]) -> Self {
        Self::try_start(dir, binary, environment).unwrap_or_else(|said| panic!("the server did not start: {said}"))
    }

    /// Starts it; gives what it said on standard error where it ended before it served.
    pub fn try_start(dir: &Path, binary: &Path, environment: &[(&str, &str)]) -> Result<Self, String> {
        Self::try_start_at(dir, binary, environment, "127.0.0.1:0", &[])
    }

    /// Starts it at that address with more words on its command line; gives `exit CODE: ` and what it said where it
    /// ended before it served.
    pub fn try_start_at(
        dir: &Path,
        binary: &Path,
        environment: &[(&str, &str)],
        listen: &str,
        more: &[&str],
    ) -> Result<Self, String> {
        // Sessions that were opened once are used by the tests of many minutes.
        let said = more.iter().any(|word| word.starts_with("--idle-lock-"));
        let patient: &[&str] = if said { &[] } else { &["--idle-lock-minutes", "60"] };
        let mut child = Command::new(binary)
            .args(["serve", "--dir"])
            .arg(dir)
            .args(["--listen", listen])
            .args(patient)
            .args(more)
            .envs(environment.iter().copied())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        // The pipes are read to their ends, so that the server never waits for its own log.
        let errors = keep(child.stderr.take().unwrap(), &said);
        let mut output = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        while output.read_line(&mut line).unwrap() > 0 {
            said.lock().unwrap().extend_from_slice(line.as_bytes());
            if let Some((_, url)) = line.trim_end().split_once(" at ") {
                let url = url.to_owned();
                return Ok(Self { child, readers: vec![errors, keep(output, &said)], said, url });
            }
            line.clear();
        }
        let code = child.wait().unwrap().code();
        errors.join().unwrap();
        Err(format!("exit {}: {}", code.unwrap_or(-1), String::from_utf8_lossy(&said.lock().unwrap())))
    }

    /// Starts it with more words on its command line, which it must refuse; gives what [`Server::try_start_at`] does then.
    pub fn refused(dir: &Path, more: &[&str]) -> String {
        match Self::try_start_at(dir, &binary("tallyseal"), &[], "127.0.0.1:0", more) {
            Ok(server) => panic!("it serves at {}", server.url),
            Err(said) => said,
        }
    }

    /// The server's process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Ends it as a power cut would: nothing is told to it.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits until it ends by itself; gives its exit code (`None`: by a signal).
    pub fn ended(mut self) -> Option<i32> {
        self.child.wait().unwrap().code()
    }

    /// Ends it in order; it must say that all is well.
    pub fn stop(self) {
        self.stop_and_tell();
    }

    /// Ends it in order; gives everything it ever said on standard output and standard error.
    pub fn stop_and_tell(mut self) -> String {
        let stopped = Command::new("kill").arg("-TERM").arg(self.child.id().to_string()).status().unwrap();
        assert!(stopped.success());
        let status = self.child.wait().unwrap();
        for reader in self.readers.drain(..) {
            reader.join().unwrap();
        }
        let said = String::from_utf8_lossy(&self.said.lock().unwrap()).into_owned();
        assert!(status.success(), "the server ended with {status}: {said}");
        said
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // A test that failed must not leave a server behind; one that was stopped is gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("the server said:\n{}", String::from_utf8_lossy(&self.said.lock().unwrap()));
        }
    }
}

/// A process that does not outlive its test.
pub struct Ended(pub Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // One that has ended by itself is gone already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Reads a pipe to its end, beside the test.
fn keep(mut pipe: impl Read + Send + 'static, said: &Arc<Mutex<Vec<u8>>>) -> JoinHandle<()> {
    let said = Arc::clone(said);
    std::thread::spawn(move || {
        let mut buffer = [0; 4_096];
        while let Ok(length @ 1..) = pipe.read(&mut buffer) {
            said.lock().unwrap().extend_from_slice(&buffer[..length]);
        }
    })
}
