//! One module per group of commands; each function is one command.

pub(crate) mod book;
pub(crate) mod init;
pub(crate) mod key;
pub(crate) mod plugin;
pub(crate) mod serve;
pub(crate) mod simulate;
pub(crate) mod verify;
pub(crate) mod witness;
