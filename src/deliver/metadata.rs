//! tmp
use crate::raw::Exif;
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Metadata { pub person: String, pub title: String, pub caption: String, pub team: String, pub client: String, pub creator: String, pub copyright: String, pub credit: String, pub usage: String, pub contact: String, pub ppi: u32, pub exposure: Exif }
