//! What is read while people wait is found by an index, however long the book has become.

use crate::testing::*;

/// The sources whose queries are asked for pages, the API and every order.
const SOURCES: &[(&str, &str)] = &[
    ("entries.rs", include_str!("../entries.rs")),
    ("held.rs", include_str!("../held.rs")),
    ("reader.rs", include_str!("../reader.rs")),
    ("secrets.rs", include_str!("../secrets.rs")),
    ("views.rs", include_str!("../views.rs")),
];

/// Every query that stands in a source as one text.
fn queries(source: &str) -> impl Iterator<Item = String> {
    source.split("\"SELECT ").skip(1).map(|rest| {
        let text = rest.split('"').next().unwrap_or_default();
        // A rebuild reads from tables with a suffix; the plan is that of the tables in use.
        format!("SELECT {}", text.replace("{suffix}", ""))
    })
}

/// The steps of a query as SQLite plans them (EXPLAIN QUERY PLAN, sqlite.org/eqp.html): SEARCH goes by an index, SCAN reads
/// everything.
fn plan(database: &rusqlite::Connection, query: &str) -> Vec<String> {
    let mut statement = database.prepare(&format!("EXPLAIN QUERY PLAN {query}")).unwrap();
    let none = vec![rusqlite::types::Value::Null; statement.parameter_count()];
    let rows = statement.query_map(rusqlite::params_from_iter(none), |row| row.get(3)).unwrap();
    rows.map(Result::unwrap).collect()
}

#[test]
fn no_query_of_a_page_reads_a_whole_table() {
    let plant = Plant::new();
    plant.open().shutdown_blocking();
    let database = plant.database();
    let mut seen = 0;
    for (name, source) in SOURCES {
        for query in queries(source) {
            let steps = plan(&database, &query);
            assert!(!steps.is_empty(), "{name}: {query}");
            for step in &steps {
                assert!(!step.contains("SCAN"), "{name}: {query}: {step}");
                assert!(!step.contains("TEMP B-TREE"), "{name}: {query}: {step}");
            }
            seen += 1;
        }
    }
    assert!(seen >= 12, "{seen}");
    // What this test would say of a scan.
    assert!(plan(&database, "SELECT n FROM entry WHERE bytes = x'00'").iter().any(|step| step.contains("SCAN")));
}
