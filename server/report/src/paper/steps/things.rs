//! Small records: suppliers, plugins, people's accounts.

use tallyseal_schema::Body;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::Grant;

use super::super::say::short;
use super::super::{Gathered, Section};
use super::make::{NOT_HERE, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, with_why};
use crate::words;

pub(super) fn supplier(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Supplier {}", stream.id()), "21 CFR 211.184(a); 21 CFR 211.22(a)");
    for entry in g.stream(stream) {
        if let Body::SupplierRegistered(body) = &entry.body {
            let fields = [
                field("Supplier", body.name.clone()).asked("21 CFR 211.184(a)"),
                field("Where it prints", body.site.clone()).asked("21 CFR 211.184(a)"),
            ];
            step.fields(fields.map(|field| field.on([entry])).into());
        }
    }
    let columns = vec![wide("Approved for", 3), wide("By", 4), wide("When", 3), num("Entry")];
    let mut table = Table::new("Items that it may deliver", "21 CFR 211.22(a); 21 CFR 211.122(a)", columns);
    for entry in g.stream(stream) {
        if let Body::SupplierApproved(body) = &entry.body {
            table.row(cells![body.item.id().to_string(), by(entry), g.local(entry.header.at), n(entry)]);
        }
    }
    step.table(table, "none");
    let hands = step.hands(stream, &["supplier.registered", "supplier.approved"]);
    step.people(hands, NOT_HERE);
    step.section()
}

pub(super) fn plugin(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Plugin {}", stream.id()), "21 CFR 211.68(a); 21 CFR 211.68(b)");
    for entry in g.stream(stream) {
        let Body::PluginDrafted(body) = &entry.body else { continue };
        let emits: Vec<&str> = body.emits.iter().map(String::as_str).collect();
        let fields = [
            field("Plugin", format!("{} version {}", body.name, body.version)).asked("21 CFR 211.68(a)"),
            field("Digest over its files", body.digest.to_string()).asked("21 CFR 211.68(b)"),
            field("The machine's total counts", crate::told::plain(body.counts)),
            field("What it may say", emits.join(", ")),
        ];
        step.fields(fields.map(|field| field.on([entry])).into());
        let columns = vec![wide("File", 2), num("Bytes"), wide("SHA-256", 4)];
        let mut table = Table::new("Files", "21 CFR 211.68(b)", columns).small();
        for file in &body.files {
            table.row(cells![file.path.as_str(), words::number(file.length), short(&file.sha256.to_string())]);
        }
        step.table(table, "none");
    }
    let hands = step.hands(stream, &["plugin.drafted", "plugin.approved"]);
    step.people(hands, NOT_HERE);
    step.section()
}

fn roles(g: &Gathered, grants: &[Grant]) -> String {
    let told = grants.iter().map(|grant| {
        let until = grant.until.map(|until| format!(" until {}", g.at(until))).unwrap_or_default();
        format!("{} (training {}){until}", grant.role.title(), grant.training)
    });
    told.collect::<Vec<_>>().join("; ")
}

/// An account alone.
pub(super) fn account(g: &Gathered, stream: &Stream) -> Section {
    people(g, &format!("Account {}", stream.id()), &[stream])
}

/// Everybody who acted in the record, with what they may act as and on the strength of which training.
pub(super) fn who_acted(g: &Gathered) -> Section {
    people(g, "People who acted", &g.things(Thing::Account))
}

fn people(g: &Gathered, title: &str, accounts: &[&Stream]) -> Section {
    let mut step = Step::new(g, title, "21 CFR 11.10(g); 21 CFR 11.10(i)");
    let columns = vec![col("Account"), wide("What", 6), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table =
        Table::new("Names, roles with their training, keys", "21 CFR 11.10(g); 21 CFR 11.10(i)", columns).small();
    for stream in accounts {
        for entry in g.stream(stream) {
            let text = match &entry.body {
                Body::AccountEnrolled(body) => {
                    format!("{} enrolled; identity: {}; roles: {}", body.name, body.identity, roles(g, &body.roles))
                }
                Body::AccountRolesChanged(body) => format!("roles from now on: {}", roles(g, &body.roles)),
                Body::AccountKeyEnrolled(body) => format!("signing key {}", short(&body.key.to_string())),
                Body::AccountKeyRetired(body) => format!("signing key {} retired", short(&body.key.to_string())),
                Body::AccountDisabled(_) => "disabled".to_owned(),
                Body::SignatureApplied(body) => format!("signature: {}", body.meaning),
                _ => words::kind(&entry.header.kind).to_lowercase(),
            };
            let when = g.local(entry.header.at);
            table.row(cells![stream.id().to_string(), with_why(text, entry), by(entry), when, n(entry)]);
        }
    }
    step.table(table, NOT_HERE);
    accounts.iter().for_each(|stream| step.corrections(stream));
    step.section()
}
