//! What other commands on this machine ask of a running server: one JSON line each way over `DIR/control.sock`, which
//! only the server's own user may open. So no second program ever writes to a live book.

use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tallyseal_book::Book;
use tallyseal_report::paper::Sheet;
use tallyseal_schema::By;
use tallyseal_schema::ids::Stream;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _};
use tokio::sync::mpsc::UnboundedSender;

use crate::cli::CannotRun;
use crate::export::{self, How};
use crate::randomness;

/// How long after a failure to hear a command it is tried again.
const AGAIN: Duration = Duration::from_millis(200);

/// What may be asked.
#[derive(Debug, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
pub(crate) enum Ask {
    /// The newest checkpoint, made now.
    Checkpoint,
    /// The book's public key.
    Key,
    /// Another key for the book; the answer is its public part.
    Rotate { why: Option<String> },
    /// The sealed record of a thing, written to a file.
    Export { record: Stream, sheet: Sheet, out: PathBuf },
}

/// The answer.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Answer {
    /// Not done yet: what is being done now. More lines follow.
    Doing(String),
    /// Done; a text where one was asked for.
    Done(String),
    /// Not done; why.
    Failed(String),
}

/// Listens until the process ends.
pub(crate) fn listen(path: &Path, book: Book) -> Result<(), CannotRun> {
    // The lock on the book is ours: a socket that lies here belongs to a server that was killed.
    let _ = std::fs::remove_file(path);
    let listener = tokio::net::UnixListener::bind(path)
        .map_err(|error| CannotRun::because(format!("cannot listen at {}: {error}", path.display())))?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
    tokio::spawn(async move {
        loop {
            match listener.accept().await {
                Ok((stream, _)) => drop(tokio::spawn(answer(stream, book.clone()))),
                // No file handle is free, for example: that passes, and the commands must be heard again then.
                Err(error) => {
                    tracing::warn!(%error, "a command on this machine was not heard");
                    tokio::time::sleep(AGAIN).await;
                }
            }
        }
    });
    Ok(())
}

async fn answer(stream: tokio::net::UnixStream, book: Book) {
    let (read, mut write) = stream.into_split();
    let mut line = String::new();
    let mut reader = tokio::io::BufReader::new(read.take(64 * 1024));
    if reader.read_line(&mut line).await.is_err() {
        return;
    }
    let answer = match serde_json::from_str(&line) {
        Ok(ask) => {
            let (said, mut heard) = tokio::sync::mpsc::unbounded_channel();
            let work = tokio::spawn(done(ask, book, said));
            // Ends when the work has let its end go. Who hangs up ends nothing: what was begun is recorded.
            while let Some(doing) = heard.recv().await {
                say(&mut write, &Answer::Doing(doing)).await;
            }
            let done = work.await.unwrap_or_else(|error| Err(error.to_string()));
            done.map_or_else(Answer::Failed, Answer::Done)
        }
        Err(error) => Answer::Failed(format!("the server does not understand: {error}")),
    };
    say(&mut write, &answer).await;
}

async fn say(write: &mut tokio::net::unix::OwnedWriteHalf, answer: &Answer) {
    if let Ok(mut text) = serde_json::to_vec(answer) {
        text.push(b'\n');
        let _ = write.write_all(&text).await;
    }
}

async fn done(ask: Ask, book: Book, said: UnboundedSender<String>) -> Result<String, String> {
    match ask {
        Ask::Checkpoint => book.keep_checkpoint().await.map_err(|error| error.to_string()),
        Ask::Key => book.verifier_key().map_err(|error| error.to_string()),
        Ask::Rotate { why } => {
            let seed = randomness::bytes().map_err(|error| error.to_string())?;
            book.rotate_key(seed, why).await.map_err(|error| error.to_string())
        }
        Ask::Export { record, sheet, out } => {
            let told = move |stage: export::Stage| drop(said.send(stage.said().to_owned()));
            let by = By::system("command-line");
            export::export_to(book, by, record, How::of(sheet), out, &told).await.map(|()| String::new())
        }
    }
}

/// Asks the server that holds the book; `None` where none is running. `doing`: is told what it does meanwhile.
///
/// Errors: the server could not do it, in its sentence.
pub(crate) fn ask(socket: &Path, what: &Ask, doing: &dyn Fn(&str)) -> Result<Option<String>, CannotRun> {
    let Ok(mut stream) = UnixStream::connect(socket) else { return Ok(None) };
    let mut line = serde_json::to_vec(what)?;
    line.push(b'\n');
    stream.write_all(&line)?;
    let mut reader = BufReader::new(stream);
    loop {
        let mut reply = String::new();
        reader.read_line(&mut reply)?;
        match serde_json::from_str(&reply)? {
            Answer::Doing(what) => doing(&what),
            Answer::Done(text) => return Ok(Some(text)),
            Answer::Failed(why) => return Err(CannotRun::because(why)),
        }
    }
}

/// True where a server answers at the socket.
pub(crate) fn is_served(socket: &Path) -> bool {
    UnixStream::connect(socket).is_ok()
}
