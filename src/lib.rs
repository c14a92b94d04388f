//! `lapel` finishes a whole office's corporate headshots: raw files in, delivered
//! pictures out, one look for all, described by versioned text recipes.
//!
//! The modules stand in reading order, from what is typed down to what a pixel is;
//! each imports only from modules below it in this list (`tests/tidy.rs` guards it).

#![cfg_attr(
    test,
    allow(clippy::print_stderr, reason = "a test that skips says so")
)]

pub mod cli;
pub mod job;

pub mod checks;
pub mod deliver;

pub mod measure;

pub mod engine;

pub mod recipe;

pub mod operations;

pub mod regions;

pub mod sensor;

pub mod raw;

pub mod colour;

pub mod picture;
