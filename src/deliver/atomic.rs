//! tmp
use std::path::{Path, PathBuf};
#[derive(Debug)]
pub struct Originals(Vec<PathBuf>);
impl Originals { pub fn new(p: &[PathBuf]) -> Self { Self(p.to_vec()) } }
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Error(String);
pub fn prepare_folder(p: &Path) -> Result<(), Error> { std::fs::create_dir_all(p).map_err(|e| Error(e.to_string())) }
pub fn write(p: &Path, b: &[u8], _o: &Originals) -> Result<(), Error> { if let Some(d) = p.parent() { std::fs::create_dir_all(d).map_err(|e| Error(e.to_string()))?; } std::fs::write(p, b).map_err(|e| Error(e.to_string())) }
