//! tmp
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Error(String);
pub fn fill(pattern: &str, fields: &[(&str, &str)], ending: &str) -> Result<String, Error> {
    let mut s = pattern.to_owned();
    for (k, v) in fields { s = s.replace(&format!("{{{k}}}"), v); }
    Ok(format!("{s}.{ending}"))
}
