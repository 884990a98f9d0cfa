//! What the rules allow and refuse, thing by thing.

mod accounts;
mod authority;
mod challenges;
mod codes;
mod corrections;
mod counts;
mod deliveries;
mod deviations;
mod evolution;
mod follower;
mod items;
mod machine;
mod rolls;
mod sessions;
mod settlement;
mod stations;
mod table;
mod tags;
mod texts;
mod totals;
