//! Sets a record's pages in a child process of this same binary: what it takes of memory goes with it, and a defect in
//! the setting ends the child and not the server.

use std::io::{Read as _, Write as _};
use std::process::Stdio;
use std::time::Duration;

use tallyseal_press::Job;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::process::Command;
use tokio::sync::Semaphore;

use crate::cli::{CannotRun, Outcome, Ran};

/// The subcommand by which the child knows what it is.
pub(crate) const CHILD: &str = "set-pages";

/// One at a time: a large record takes a gigabyte while it is set.
static TURN: Semaphore = Semaphore::const_new(1);

/// No record takes as long; a child that does is ended.
const LONGEST: Duration = Duration::from_secs(600);

/// The pages of `job` as PDF.
///
/// Errors: in a sentence; the child said why, or was ended.
pub(crate) async fn set(job: Job) -> Result<Vec<u8>, String> {
    let _turn = TURN.acquire().await.map_err(|_| "the server is stopping".to_owned())?;
    let bytes = tokio::task::spawn_blocking(move || job.write()).await.map_err(|error| error.to_string())?;
    let bytes = bytes.map_err(|error| error.to_string())?;
    match tokio::time::timeout(LONGEST, set_in_child(bytes)).await {
        Ok(set) => set,
        Err(_) => Err("the pages were not set within ten minutes".to_owned()),
    }
}

async fn set_in_child(job: Vec<u8>) -> Result<Vec<u8>, String> {
    // The program that runs, also where its file was replaced by a newer one meanwhile: the pages name their version.
    let program =
        if cfg!(target_os = "linux") { "/proc/self/exe".into() } else { std::env::current_exe().map_err(said)? };
    let mut child = Command::new::<std::path::PathBuf>(program)
        .arg(CHILD)
        .env_clear()
        // It ends soon, and gives all its memory back then: to give back and fetch again meanwhile is a third of its time.
        .env("MIMALLOC_PURGE_DELAY", "-1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(said)?;
    let (Some(mut stdin), Some(mut stdout), Some(mut stderr)) =
        (child.stdin.take(), child.stdout.take(), child.stderr.take())
    else {
        return Err("the pages' setter has no pipes".to_owned());
    };
    let give = async move {
        // Where the child ended early its own words say why.
        let _ = stdin.write_all(&job).await;
        drop(stdin);
    };
    let (mut pdf, mut words) = (Vec::new(), String::new());
    let ((), read, _) = tokio::join!(give, stdout.read_to_end(&mut pdf), stderr.read_to_string(&mut words));
    read.map_err(said)?;
    let status = child.wait().await.map_err(said)?;
    if !status.success() {
        let words = words.trim();
        return Err(if words.is_empty() { format!("the pages' setter ended: {status}") } else { words.to_owned() });
    }
    Ok(pdf)
}

fn said(error: std::io::Error) -> String {
    format!("the pages' setter did not run: {error}")
}

/// What the child does: a job from standard input, its pages to standard output.
pub(crate) fn child() -> Ran {
    limit();
    let mut bytes = Vec::new();
    std::io::stdin().lock().read_to_end(&mut bytes)?;
    let job = Job::read(&bytes).map_err(|error| CannotRun::because(error.to_string()))?;
    drop(bytes);
    let pdf = job.print().map_err(|error| CannotRun::because(error.to_string()))?;
    let mut out = std::io::stdout().lock();
    out.write_all(&pdf)?;
    out.flush()?;
    Ok(Outcome::Good)
}

/// The child takes no more memory than this, whatever it is asked to set. Unit: bytes.
#[cfg(target_os = "linux")]
const MEMORY: u64 = 6 << 30;

#[cfg(target_os = "linux")]
fn limit() {
    use rustix::process::{Resource, Rlimit, setrlimit};
    let _ = setrlimit(Resource::As, Rlimit { current: Some(MEMORY), maximum: Some(MEMORY) });
    // Also where the process that asked is gone and waits for nothing any more. Unit: seconds.
    let longest = Some(LONGEST.as_secs() + 60);
    let _ = setrlimit(Resource::Cpu, Rlimit { current: longest, maximum: longest });
    // A core file would hold the record.
    let _ = setrlimit(Resource::Core, Rlimit { current: Some(0), maximum: Some(0) });
}

#[cfg(not(target_os = "linux"))]
fn limit() {}
