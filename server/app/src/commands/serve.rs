//! `tallyseal serve`.

use crate::cli::{CannotRun, Outcome, Ran, ServeArgs};
use crate::say;
use crate::server::{Ending, Running};

/// Exit code after a failure of the store: nothing is known to be wrong with the book, a new start checks it.
const STORE_FAILED: i32 = 70;

pub(crate) fn serve(args: &ServeArgs) -> Ran {
    if !args.listen.ip().is_loopback() && !args.behind_proxy {
        return Err(CannotRun::because(format!(
            "{} is not loopback and there is no TLS here; put a proxy that ends TLS in front and say --behind-proxy",
            args.listen
        )));
    }
    actix_web::rt::System::new().block_on(async {
        let mut ending = Ending::listen()?;
        let outside = (args.asking()?, args.stamping()?);
        let running = Running::start(&args.dir, args.listen, args.idle_lock.limit(), args.accepted()?, outside).await?;
        // Scripts wait for this line: the server answers from here on.
        say::line(format_args!("Serving {} at http://{}", args.dir.display(), running.address()))?;
        tokio::select! {
            () = ending.wished() => {}
            why = running.failed() => {
                say::person(format_args!("tallyseal: the book stopped: {why}"));
                std::process::exit(STORE_FAILED);
            }
        }
        running.stop().await;
        Ok(Outcome::Good)
    })
}
