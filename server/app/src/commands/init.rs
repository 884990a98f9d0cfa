//! `tallyseal init`.

use std::fmt::Write as _;
use std::str::FromStr as _;

use tallyseal_schema::ids::BookName;
use tallyseal_schema::kinds::Role;

use crate::cli::{CannotRun, InitArgs, Outcome, Ran, runtime};
use crate::founding::{Founder, found};
use crate::say;

pub(crate) fn init(args: &InitArgs) -> Ran {
    let name = BookName::from_str(&args.book)?;
    let founders =
        [Founder::parse(&args.administrator, Role::Administrator)?, Founder::parse(&args.reviewer, Role::Reviewer)?];
    let made = runtime()?.block_on(found(&args.dir, &name, &args.zone, founders))?;
    let mut text = format!(
        "The key of the book {name}, to be kept where the server's administrator cannot change it:\n  {}\n\
         One-time secrets, shown now and never again; each person sets their own password at the first sign-in:\n",
        made.key
    );
    for one in &made.issued {
        writeln!(text, "  {}  {}  {}", one.account, one.secret, one.name)?;
    }
    // ORDER: shown before the book is there: a book whose secrets nobody saw could never be signed in to.
    let shown = say::out(&text).and_then(|()| say::settle());
    shown.map_err(|error| {
        let why = error.why().unwrap_or("nobody reads standard output").to_owned();
        CannotRun::because(format!("{why}; the one-time secrets could not be shown, and no book was made"))
    })?;
    made.place()?;
    say::line(format_args!("The book {name} is open in {}.", args.dir.display()))?;
    say::line("Then the two confirm each other (confirm_identity), and the administrator opens accounts for a second")?;
    say::line("administrator and a second reviewer: a lost password is mended only with a third person there.")?;
    say::line(format_args!("Next: tallyseal serve --dir {}", args.dir.display()))?;
    Ok(Outcome::Good)
}
