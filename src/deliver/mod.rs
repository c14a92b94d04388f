//! From a finished picture to delivered files: shape, size, encoder, metadata, names, sidecar,
//! contact sheet, and writing that never leaves half a file.

pub mod atomic;
pub mod consistency_page;
pub mod contact_sheet;
pub mod encode;
mod iptc;
mod jpeg_samples;
pub mod metadata;
pub mod names;
pub mod natural;
pub mod output;
pub mod pages;
pub mod preview_sheet;
pub mod sidecar;
