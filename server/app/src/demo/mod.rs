//! `tallyseal demo`: an invented plant and one shift, done by its people at the desk, with a simulated counting table on
//! the other end of a real TCP link. Everything in it is made up (GS1 demonstration prefix 952, `.example` names).

mod order;
mod people;
mod plant;
mod plugin;
mod shift;
mod visitors;

use std::path::{Path, PathBuf};
use std::str::FromStr as _;

use tallyseal_machines::table::{TableOptions, serve};
use tallyseal_report::paper::Sheet;
use tallyseal_schema::By;
use tallyseal_schema::ids::{BookName, Stream};
use tallyseal_schema::kinds::Role;
use tokio::net::TcpListener;

use crate::cli::{CannotRun, DemoArgs, Outcome, Ran};
use crate::clock;
use crate::commands::verify;
use crate::export::{self, How};
use crate::founding::{Founder, found};
use crate::say;
use crate::server::{Ending, Running};
use crate::witnesses::Asking;

use people::People;

/// The invented plant's book.
const BOOK: &str = "label-room.example/plant-1";
const ZONE: &str = "Europe/Prague";

pub(crate) fn demo(args: &DemoArgs) -> Ran {
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => std::env::temp_dir().join(format!("tallyseal-demo-{}", clock::now().micros())),
    };
    actix_web::rt::System::new().block_on(run(args, &dir))
}

async fn run(args: &DemoArgs, dir: &Path) -> Ran {
    if !args.listen.ip().is_loopback() {
        return Err(CannotRun::because(format!(
            "the demo's passwords are printed: it serves on loopback only, not at {}",
            args.listen
        )));
    }
    let name = BookName::from_str(BOOK)?;
    let founders =
        [Founder::parse("U-0001:Mara Vell", Role::Administrator)?, Founder::parse("U-0002:Jonas Okt", Role::Reviewer)?];
    let made = found(dir, &name, ZONE, founders).await?;
    let key = made.key.clone();
    let issued = made.place()?;
    say::line(format_args!("An invented plant, one shift. Book {BOOK} in {}", dir.display()))?;
    say::line(format_args!("Key of the book: {key}"))?;
    // The port asked for is only needed when the pages are served afterwards.
    let listen = if args.once { std::net::SocketAddr::from(([127, 0, 0, 1], 0)) } else { args.listen };
    let running = Running::start(dir, listen, args.idle_lock.limit(), None, (Asking::default(), None)).await?;
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    let table = serve(listener, TableOptions::default())?;
    let people = People::enrol(running.desk(), issued).await?;
    plant::set_up(running.desk(), &people, &table).await?;
    shift::work(running.desk(), &people, &table, args.seed).await?;
    let zips = seal(dir, &running, &people).await?;
    let mut all_hold = true;
    for zip in &zips {
        all_hold &= verify::said(zip, &key)?;
    }
    if args.once {
        running.stop().await;
    } else {
        visitors::stock(running.desk(), &people).await?;
        tokio::spawn(visitors::run_what_is_laid_on(running.desk().book().clone(), table.clone()));
        say::line(format_args!("Accounts of the demo (account, password, roles):"))?;
        people.print()?;
        running.desk().show_demo(people.accounts());
        let mut ending = Ending::listen()?;
        say::line(format_args!(
            "Serving the pages at http://{} and the API under /api; Ctrl-C ends it.",
            running.address()
        ))?;
        tokio::select! {
            () = ending.wished() => {}
            why = running.failed() => return Err(CannotRun::because(format!("the book stopped: {why}"))),
        }
        running.stop().await;
    }
    Ok(if all_hold { Outcome::Good } else { Outcome::FoundWrong })
}

/// The sealed records of both deliveries and of the order, in `DIR/out`.
async fn seal(dir: &Path, running: &Running, people: &People) -> Result<Vec<PathBuf>, CannotRun> {
    let out = dir.join("out");
    std::fs::create_dir_all(&out)?;
    let mut zips = Vec::new();
    for (thing, id) in [("delivery", "DL-0001"), ("delivery", "DL-0002"), ("order", plant::ORDER)] {
        let record = Stream::new(thing, id)?;
        let by: By = running.desk().seated(&people.auditor.seat, Role::Auditor);
        let path = out.join(format!("{id}.zip"));
        let book = running.desk().book().clone();
        let taken = export::export_to(book, by, record, How::of(Sheet::A4), path.clone(), &|_| {}).await;
        taken.map_err(CannotRun::because)?;
        let length = path.metadata()?.len();
        say::line(format_args!(
            "Sealed record {} ({} bytes), taken by {}.",
            path.display(),
            length,
            people.auditor.seat.name
        ))?;
        zips.push(path);
    }
    Ok(zips)
}
