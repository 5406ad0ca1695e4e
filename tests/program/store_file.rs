//! The job file, from outside: what is promised of it, tried on real files and real processes.

#[path = "store/commands.rs"]
mod commands;
#[path = "store/full.rs"]
mod full;
#[path = "store/kept.rs"]
mod kept;
#[path = "store/killed.rs"]
mod killed;
#[path = "store/pace.rs"]
mod pace;
#[path = "store/refused.rs"]
mod refused;
#[path = "store/support.rs"]
mod support;
#[path = "store/verified.rs"]
mod verified;
