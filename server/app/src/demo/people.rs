//! The people of the invented plant. Their passwords are printed: this is no place for a secret.

use std::str::FromStr as _;

use serde_json::{Value, json};
use tallyseal_book::Receipt;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::Role;
use zeroize::Zeroizing;

use crate::cli::CannotRun;
use crate::clock;
use crate::desk::{ActRequest, DemoAccount, Desk, Seat};
use crate::founding::Issued;
use crate::randomness;
use crate::say;

/// One person at a device.
pub(super) struct Player {
    password: String,
    role: Role,
    pub(super) seat: Seat,
}

impl Player {
    /// Does something; a signature gets the password.
    pub(super) async fn act(&self, desk: &Desk, name: &str, command: Value) -> Result<Receipt, CannotRun> {
        self.request(desk, name, command, None).await
    }

    /// Does something that is a signature.
    pub(super) async fn sign(&self, desk: &Desk, name: &str, command: Value) -> Result<Receipt, CannotRun> {
        self.request(desk, name, command, Some(Zeroizing::new(self.password.clone()))).await
    }

    async fn request(
        &self,
        desk: &Desk,
        name: &str,
        command: Value,
        password: Option<Zeroizing<String>>,
    ) -> Result<Receipt, CannotRun> {
        let Value::Object(command) = command else { return Err(CannotRun::because("a command has fields".to_owned())) };
        let request =
            ActRequest { act: randomness::act()?, command, expected: Default::default(), password, role: self.role };
        let done = desk.act(&self.seat, name, request).await;
        done.map(|done| done.receipt).map_err(|error| CannotRun::because(format!("{name}: {error}")))
    }
}

/// Everyone.
pub(super) struct People {
    pub(super) administrator: Player,
    pub(super) auditor: Player,
    pub(super) examiner: Player,
    pub(super) line: Player,
    pub(super) operator: Player,
    pub(super) reviewer: Player,
    /// A second person of the line.
    pub(super) second: Player,
    pub(super) supervisor: Player,
}

/// The others: account, name, role, device.
const OTHERS: [(&str, &str, Role, &str); 6] = [
    ("U-0003", "Petra Halm", Role::Supervisor, "D-OFFICE-1"),
    ("U-0004", "Ludo Marsh", Role::LabelRoom, "D-BENCH-1"),
    ("U-0005", "Sia Toren", Role::IncomingExaminer, "D-RECEIPT-1"),
    ("U-0006", "Edda Quill", Role::Auditor, "D-OFFICE-2"),
    ("U-0007", "Ines Farrow", Role::Line, "D-LINE-1"),
    ("U-0008", "Tomas Reed", Role::Line, "D-LINE-2"),
];

/// How long the training of the others is good. Unit: days.
const TRAINED_FOR: i64 = 365;

/// A password of the demo, printed at its end.
fn password(account: &str) -> String {
    format!("demo only, for {}", account.trim_start_matches("U-000"))
}

async fn settle_in(desk: &Desk, account: &str, one_time: &str, role: Role, device: &str) -> Result<Player, CannotRun> {
    let device = Id::from_str(device)?;
    let password = password(account);
    let first = desk.sign_in(account, Zeroizing::new(one_time.to_owned()), device.clone(), "demo").await?;
    desk.set_password(&first.seat, Zeroizing::new(one_time.to_owned()), Zeroizing::new(password.clone())).await?;
    // The password is another now: the session goes on with what is read anew.
    Ok(Player { password, role, seat: desk.seat(&first.token)? })
}

impl People {
    /// The founders set their passwords and confirm each other; the administrator opens the other accounts; everyone
    /// sets a password; the reviewer confirms who they are.
    pub(super) async fn enrol(desk: &Desk, founders: Vec<Issued>) -> Result<Self, CannotRun> {
        let mut settled = Vec::new();
        let roles = [(Role::Administrator, "D-OFFICE-3"), (Role::Reviewer, "D-QUALITY-1")];
        for (founder, (role, device)) in founders.iter().zip(roles) {
            settled.push(settle_in(desk, founder.account.as_str(), &founder.secret, role, device).await?);
        }
        let (Some(reviewer), Some(administrator)) = (settled.pop(), settled.pop()) else {
            return Err(CannotRun::because("a book has two founders".to_owned()));
        };
        administrator.sign(desk, "confirm_identity", json!({ "account": reviewer.seat.account })).await?;
        reviewer.sign(desk, "confirm_identity", json!({ "account": administrator.seat.account })).await?;
        // Whenever the demo is shown, nobody's training has ended.
        let until = clock::now().plus_micros(TRAINED_FOR * 86_400 * 1_000_000);
        let mut others = Vec::new();
        for (account, name, role, device) in OTHERS {
            let training = format!("TR-0101 {}, examined 2026-03", role.title());
            let command = json!({
                "account": account, "name": name,
                "roles": [{ "role": role, "training": training, "until": until }],
                "identity": "identity card seen by Mara Vell; employment file of the invented plant",
            });
            let Value::Object(command) = command else { return Err(CannotRun::because("not reached".to_owned())) };
            let request = ActRequest {
                act: randomness::act()?,
                command,
                expected: Default::default(),
                password: None,
                role: Role::Administrator,
            };
            let done = desk.act(&administrator.seat, "enrol_account", request).await?;
            let secret =
                done.one_time_secret.ok_or_else(|| CannotRun::because("no one-time secret was made".to_owned()))?;
            others.push(settle_in(desk, account, &secret, role, device).await?);
            reviewer.sign(desk, "confirm_identity", json!({ "account": account })).await?;
        }
        let mut others = others.into_iter();
        let mut next = || others.next().ok_or_else(|| CannotRun::because("somebody is missing".to_owned()));
        let (supervisor, operator, examiner, auditor) = (next()?, next()?, next()?, next()?);
        let (line, second) = (next()?, next()?);
        Ok(Self { administrator, auditor, examiner, line, operator, reviewer, second, supervisor })
    }

    /// Everyone's account and password, for the door of the demo.
    pub(super) fn accounts(&self) -> Vec<DemoAccount> {
        let account = |player: &Player| DemoAccount {
            account: player.seat.account.to_string(),
            name: player.seat.name.clone(),
            password: player.password.clone(),
            role: player.role.title(),
        };
        self.everyone().map(account).to_vec()
    }

    fn everyone(&self) -> [&Player; 8] {
        [
            &self.administrator,
            &self.reviewer,
            &self.supervisor,
            &self.operator,
            &self.examiner,
            &self.auditor,
            &self.line,
            &self.second,
        ]
    }

    /// Everyone's account and password. Errors: standard output cannot be written.
    pub(super) fn print(&self) -> Result<(), CannotRun> {
        for player in self.everyone() {
            let seat = &player.seat;
            say::line(format_args!(
                "  {}  {:<18}  {}, {}",
                seat.account,
                player.password,
                seat.name,
                player.role.title()
            ))?;
        }
        Ok(())
    }
}
