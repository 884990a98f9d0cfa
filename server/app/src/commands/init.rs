//! `tallyseal init`.

use std::str::FromStr as _;

use tallyseal_schema::ids::BookName;
use tallyseal_schema::kinds::Role;

use crate::cli::{InitArgs, Outcome, Ran, runtime};
use crate::founding::{Founder, found};

pub(crate) fn init(args: &InitArgs) -> Ran {
    let name = BookName::from_str(&args.book)?;
    let founders =
        [Founder::parse(&args.administrator, Role::Administrator)?, Founder::parse(&args.reviewer, Role::Reviewer)?];
    let (issued, key) = runtime()?.block_on(found(&args.dir, &name, &args.zone, founders))?;
    println!("The book {name} is open in {}.", args.dir.display());
    println!("Its key, to be kept where the server's administrator cannot change it:");
    println!("  {key}");
    println!("One-time secrets, shown now and never again; each person sets their own password at the first sign-in:");
    for one in issued {
        println!("  {}  {}  {}", one.account, one.secret, one.name);
    }
    println!("Next: tallyseal serve --dir {}", args.dir.display());
    Ok(Outcome::Good)
}
