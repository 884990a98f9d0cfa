//! `tallyseal`: see `tallyseal --help`.

fn main() -> std::process::ExitCode {
    tallyseal::run()
}
