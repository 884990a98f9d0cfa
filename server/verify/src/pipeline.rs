//! Chunks are read, hashed and parsed on threads of their own, and handed on in their order.

use std::sync::mpsc::sync_channel;

use crate::cannot_run::CannotRun;
use crate::source::{Reader, Source};

/// How many finished chunks a thread may be ahead: memory is bounded by threads and not by the book.
const AHEAD: usize = 2;

/// Makes something of each chunk with `make`, on `threads` threads, and gives it to `each` in the order of the chunks,
/// on this thread. `between` runs on the threads before each chunk.
///
/// Errors: the first that `make` returns.
pub(crate) fn run<T: Send>(
    source: &Source<'_>,
    threads: usize,
    make: impl Fn(&mut Reader<'_>, usize) -> Result<T, CannotRun> + Sync,
    between: impl Fn() + Sync,
    mut each: impl FnMut(T),
) -> Result<(), CannotRun> {
    let chunks = source.chunks();
    let threads = threads.clamp(1, chunks.max(1));
    std::thread::scope(|scope| {
        let (make, between) = (&make, &between);
        // Thread i makes the chunks i, i + threads, ...: taking in turn from each gives them in order.
        let outputs: Vec<_> = (0..threads)
            .map(|first| {
                let (output, input) = sync_channel(AHEAD);
                scope.spawn(move || {
                    let mut reader = match source.reader() {
                        Ok(reader) => reader,
                        Err(error) => {
                            // Nobody listens any more where another thread failed before.
                            let _ = output.send(Err(error));
                            return;
                        }
                    };
                    for chunk in (first..chunks).step_by(threads) {
                        between();
                        let made = make(&mut reader, chunk);
                        let failed = made.is_err();
                        if output.send(made).is_err() || failed {
                            return;
                        }
                    }
                });
                input
            })
            .collect();
        for (_, input) in (0..chunks).zip(outputs.iter().cycle()) {
            let made = input.recv().map_err(|_| CannotRun::new("a reading thread ended before its work did"))?;
            each(made?);
        }
        Ok(())
    })
}
