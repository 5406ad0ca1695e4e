//! The program from outside: every test that crosses rooms, in one binary, so that what it is built of is linked once.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod architecture;
mod common;
mod compare;
mod console;
mod console_review;
mod console_screens;
mod console_shell;
mod console_steps;
mod console_terminal;
mod console_waits;
mod export;
mod headless;
mod integrity;
mod kill;
mod reevaluate;
mod report;
mod simulate_command;
mod simulate_demo;
mod simulate_model;
mod store_file;
mod stream_decode;
mod stream_link;
mod stream_profile;
mod terminal;
mod words;
