//! Ed25519 verifications that were put off: the judge only says what is to be verified, the reading threads do it.

use std::sync::{Mutex, MutexGuard, PoisonError};

use tallyseal_schema::signature::verify;

use crate::check::Check;
use crate::findings::Findings;

/// One signature to verify.
pub(crate) struct Job {
    pub(crate) n: u64,
    pub(crate) public: [u8; 32],
    pub(crate) message: Vec<u8>,
    pub(crate) sig: [u8; 64],
}

/// How many are taken at once, so that threads share the work evenly.
const BATCH: usize = 32;

/// What is still to be verified, and what was found bad.
#[derive(Default)]
pub(crate) struct Work {
    jobs: Mutex<Vec<Job>>,
    bad: Mutex<Vec<u64>>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The lists are whole after every step, so a thread that died in between has spoiled nothing.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Work {
    /// Puts one off.
    pub(crate) fn push(&self, job: Job) {
        lock(&self.jobs).push(job);
    }

    /// Verifies until nothing is left.
    pub(crate) fn run(&self) {
        loop {
            let batch = {
                let mut jobs = lock(&self.jobs);
                let from = jobs.len().saturating_sub(BATCH);
                jobs.split_off(from)
            };
            if batch.is_empty() {
                return;
            }
            let bad: Vec<u64> =
                batch.iter().filter(|job| !verify(&job.public, &job.message, &job.sig)).map(|job| job.n).collect();
            if !bad.is_empty() {
                lock(&self.bad).extend(bad);
            }
        }
    }

    /// Verifies what is left, with that many threads, and writes down what was bad.
    pub(crate) fn finish(self, threads: usize, findings: &mut Findings) {
        std::thread::scope(|scope| {
            for _ in 1..threads {
                scope.spawn(|| self.run());
            }
            self.run();
        });
        for n in self.bad.into_inner().unwrap_or_else(PoisonError::into_inner) {
            findings.fault(Check::Signatures, Some(n), BAD);
        }
    }
}

/// What is said about a signature that does not verify.
pub(crate) const BAD: &str = "sig is not the signer's signature over what the entry states";
