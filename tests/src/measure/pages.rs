//! Pages of a large book, asked for one after the other over HTTP, each against the page of one entry by its number.

use std::time::{Duration, Instant};

use tallyseal_schema::Entry;
use tallyseal_tests::api::Client;
use tallyseal_tests::server::Server;

use crate::table::{heading, median, result, row};
use crate::{Asked, bulk};

/// Each page so often, in turn with the reference.
const ROUNDS: usize = 20;

/// Asks for a page as a browser does; how long until it was there whole.
fn ask(agent: &ureq::Agent, url: &str, cookie: &str) -> Duration {
    let begin = Instant::now();
    let mut answer = agent.get(url).header("Cookie", cookie).call().unwrap();
    let page = answer.body_mut().with_config().limit(64 << 20).read_to_vec().unwrap();
    assert!(answer.status() == 200 && !page.is_empty(), "{url}: {}", answer.status());
    begin.elapsed()
}

/// The 95th of 100.
fn late(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[(times.len() * 95).div_ceil(100) - 1]
}

/// Every page that must not grow with the book.
pub fn measure(asked: &Asked) {
    heading("pages: of a served book, in turn with the page of one entry by its number");
    let program = std::env::current_exe().unwrap().with_file_name("tallyseal");
    let dir = bulk::served(asked.entries, &program);
    let server = Server::start_with(&dir, &program, &[]);
    let client = Client::sign_in(&server.url, "U-0002", bulk::PASSWORD, "reviewer").unwrap();
    let cookie = format!("__Host-tallyseal={}", client.token());
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).max_redirects(0).build().into();

    let reader = tallyseal_book::Reader::open(&dir).unwrap();
    let middle = asked.entries / 2;
    let time = |n: u64| Entry::read(&reader.entry(n).unwrap().unwrap()).unwrap().header.at.to_string();
    let (from, to) = (time(middle), time(middle + 50));
    let pages = [
        ("first page", "/".to_owned()),
        ("list of rolls", "/things/roll".to_owned()),
        ("list of rolls, further", "/things/roll?after=roll/R-000100-0".to_owned()),
        ("one roll", "/things/roll/R-000100-0".to_owned()),
        ("trail", "/trail".to_owned()),
        ("trail, further back", format!("/trail?before={middle}")),
        ("trail by person", "/trail?person=U-0003".to_owned()),
        ("trail by role", "/trail?role=incoming_examiner".to_owned()),
        ("trail by sort of record", "/trail?thing=delivery".to_owned()),
        ("trail by record", "/trail?thing=roll&id=R-000100-0".to_owned()),
        ("trail by kind, one that is not there", "/trail?kind=order.voided".to_owned()),
        ("trail by time", format!("/trail?from={from}&to={to}")),
        ("trail, only changes", "/trail?changes=yes".to_owned()),
        ("trail, only late", "/trail?late=yes".to_owned()),
        ("trail as CSV, 50,000 looked through", "/trail.csv?late=yes".to_owned()),
        ("integrity", "/integrity".to_owned()),
    ];
    let reference = format!("{}/trail/{middle}", server.url);
    let mut worst: (f64, f64, Vec<f64>) = (0.0, 0.0, Vec::new());
    for (name, path) in pages {
        let url = format!("{}{path}", server.url);
        // Once before the clock runs.
        ask(&agent, &url, &cookie);
        ask(&agent, &reference, &cookie);
        let (mut ours, mut theirs) = (Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            ours.push(ask(&agent, &url, &cookie).as_secs_f64() * 1e3);
            theirs.push(ask(&agent, &reference, &cookie).as_secs_f64() * 1e3);
        }
        let ratios: Vec<f64> = ours.iter().zip(&theirs).map(|(ours, theirs)| ours / theirs).collect();
        let (p95, p95_of_entry) = (late(ours.clone()), late(theirs));
        row(
            name,
            format!(
                "middle {:.1} ms, p95 {p95:.1} ms; p95 of the entry {p95_of_entry:.1} ms; ratio {:.2}",
                median(ours),
                median(ratios.clone())
            ),
        );
        if p95 > worst.0 {
            worst = (p95, p95_of_entry, ratios);
        }
    }
    server.stop();
    result("pages", worst.0, Some((worst.1, worst.2)), "ms, p95 of the slowest page");
}
