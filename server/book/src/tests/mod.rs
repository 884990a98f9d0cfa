//! The executor and its store as a whole, over a real database in a directory of its own.

mod acts;
mod captures;
mod clocks;
mod keys;
mod reads;
mod real_rules;
mod signatures;
mod starts;
mod stops;
mod store;
mod views;
