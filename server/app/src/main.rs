//! `tallyseal`: see `tallyseal --help`.

/// Gives memory back to the system that is not used any more: a server that gave a large record away is as small as before, which
/// the C library's own allocator is not.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    tallyseal::run()
}
