use tallyseal_schema::kinds::NoTimeStamp::{self, BadToken, NoToken};
use tallyseal_schema::{Hash, Time};

use crate::testing::{Plant, room, system};
use crate::text::heard;
use crate::{BookState, Command, State};

const ONE: &str = "http://192.0.2.7:3180/";
const OTHER: &str = "http://192.0.2.8:3180/";

fn name(authority: Option<&str>, certificates: &[u8]) -> Command {
    let certificates = certificates.iter().map(|byte| Hash([*byte; 32])).collect();
    Command::NameTimeAuthority { authority: authority.map(str::to_owned), certificates }
}

fn lose(authority: &str, how: NoTimeStamp) -> Command {
    let cause = "No answer.".to_owned();
    Command::LoseTimeStamp { authority: authority.to_owned(), how, since: None, size: 7, cause }
}

fn back(authority: &str) -> Command {
    Command::RestoreTimeStamp { authority: authority.to_owned(), at: Time::default(), size: 9 }
}

fn state(plant: &Plant) -> BookState {
    match &plant.record("book/B").state {
        State::Book(state) => state.clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn which_authority_is_asked_is_said_when_it_is_another_than_before() {
    let mut plant = Plant::peopled();
    let named = &["book.time_authority_named B"];
    plant.makes(&system(), name(None, &[]), &[]);
    plant.makes(&system(), name(Some(ONE), &[2, 1]), named);
    plant.makes(&system(), name(Some(ONE), &[1, 2, 2]), &[]);
    plant.makes(&system(), name(Some(ONE), &[1]), named);
    plant.makes(&system(), name(Some(OTHER), &[1]), named);
    plant.makes(&system(), name(None, &[]), named);
    plant.makes(&system(), name(Some(ONE), &Vec::from_iter(0..16)), named);
    plant.refuses(&system(), name(Some(ONE), &Vec::from_iter(0..17)), "too-many-certificates");
    plant.refuses(&room(), name(Some(ONE), &[]), "not-for-this-actor");
}

#[test]
fn missing_tokens_are_said_once_a_bad_one_besides_and_a_good_one_once() {
    let mut plant = Plant::peopled();
    plant.refuses(&system(), lose(ONE, NoToken), "internal");
    plant.did(&system(), name(Some(ONE), &[]));
    let (lost, returned) = (&["book.time_stamp_lost B"], &["book.time_stamp_back B"]);
    plant.makes(&system(), back(ONE), &[]);
    plant.makes(&system(), lose(ONE, NoToken), lost);
    plant.makes(&system(), lose(ONE, NoToken), &[]);
    plant.makes(&system(), lose(ONE, BadToken), lost);
    // It is still missing, and that it was bad is known.
    plant.makes(&system(), lose(ONE, NoToken), &[]);
    plant.makes(&system(), lose(ONE, BadToken), &[]);
    plant.makes(&system(), back(ONE), returned);
    plant.makes(&system(), back(ONE), &[]);
    plant.makes(&system(), lose(ONE, BadToken), lost);
    // Another authority begins without a loss.
    plant.refuses(&system(), back(OTHER), "internal");
    plant.did(&system(), name(Some(OTHER), &[]));
    assert_eq!(state(&plant).time_authority.unwrap().lost, None);
    plant.refuses(&system(), back(ONE), "internal");
}

#[test]
fn what_an_authority_says_is_recorded_however_long_or_strange_it_is() {
    for (said, kept) in [
        ("\u{5B57}".repeat(100), "\u{5B57}".repeat(66)),
        ("no\u{200B} token\nat all".to_owned(), "no token at all".to_owned()),
        ("\u{202E} ".to_owned(), "not said".to_owned()),
    ] {
        assert_eq!(heard(&said), kept);
        let mut plant = Plant::peopled();
        plant.did(&system(), name(Some(ONE), &[]));
        let lost =
            Command::LoseTimeStamp { authority: ONE.to_owned(), how: NoToken, since: None, size: 7, cause: said };
        plant.makes(&system(), lost, &["book.time_stamp_lost B"]);
    }
}
