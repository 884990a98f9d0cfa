//! The simulated counting table: a machine that holds no secret and tells the truth about every fault that its script
//! put on the roll, for the demo, the tests and `tallyseal simulate`. It speaks the lines of `plugins/ticket-line`.
//!
//! A script says what lies on the roll and what goes wrong on the way; nothing in it is random but what a seed places.

mod line;
mod pass;
mod port;
mod random;
mod roll;
mod server;

pub use pass::{Disturbance, HaltOn, RollRun, Speed, Trouble};
pub use random::Random;
pub use roll::{Roll, RollError, Scatter, SimFault, SimFaultKind};
pub use server::{RunReport, TableError, TableHandle, TableOptions, serve};
pub use tallyseal_schema::kinds::Direction;
