//! Delivery: from a finished picture to named, described files on a disk.

pub mod atomic;
pub mod contact_sheet;
pub mod encode;
pub mod metadata;
pub mod names;
