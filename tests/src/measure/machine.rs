//! What the machine says about itself and about this process.

use std::fs::{self, File};
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Cores that this process may use.
pub fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

/// The load of the last minute.
pub fn load() -> String {
    fs::read_to_string("/proc/loadavg").unwrap_or_default().split(' ').next().unwrap_or("unknown").to_owned()
}

/// Where measures keep what they make: on the disk of the build, not in memory.
pub fn folder() -> PathBuf {
    let target =
        std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| tallyseal_tests::top().join("target"), PathBuf::from);
    let folder = target.join("measure");
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// A new folder there, which goes with the measure.
pub fn room() -> tempfile::TempDir {
    tempfile::Builder::new().prefix("run-").tempdir_in(folder()).unwrap()
}

/// How long it takes to bring 4 KiB to that disk: the middle of a hundred times.
pub fn flush_time(dir: &Path) -> Duration {
    let path = dir.join("flush");
    let mut file = File::create(&path).unwrap();
    let mut times: Vec<Duration> = (0..100)
        .map(|round: u32| {
            file.seek(SeekFrom::Start(0)).unwrap();
            file.write_all(&[round as u8; 4_096]).unwrap();
            let begin = Instant::now();
            file.sync_data().unwrap();
            begin.elapsed()
        })
        .collect();
    fs::remove_file(&path).unwrap();
    times.sort_unstable();
    times[times.len() / 2]
}

/// Processor time that the threads of this process that are alive have had.
pub fn cpu() -> Duration {
    let tasks = fs::read_dir("/proc/self/task").unwrap();
    let spent = |task: PathBuf| -> Option<u64> {
        fs::read_to_string(task.join("schedstat")).ok()?.split(' ').next()?.parse().ok()
    };
    Duration::from_nanos(tasks.filter_map(|task| spent(task.unwrap().path())).sum())
}

/// Bytes that this process has caused to be written, and its system calls that write, as the kernel counts them.
pub fn written() -> (u64, u64) {
    let text = fs::read_to_string("/proc/self/io").unwrap_or_default();
    let field =
        |name: &str| text.lines().find_map(|line| line.strip_prefix(name)?.trim().parse().ok()).unwrap_or_default();
    (field("write_bytes:"), field("syscw:"))
}

/// The most memory that this process ever had. Unit: bytes.
pub fn peak_memory() -> u64 {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<u64>().ok()).unwrap_or_default() * 1_024
}

/// The memory of a process that is in use now. Unit: bytes.
pub fn memory(process: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = text.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() * 1_024
}
