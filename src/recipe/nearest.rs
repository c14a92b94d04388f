//! Guessing which known name was meant.
//!
//! The optimal string alignment distance (insert, delete, replace, swap of neighbours) between
//! names without regard to case. A name is offered when at most a third of its letters differ:
//! common practice, no source.

/// The known name nearest to what was written, if one is near enough to offer.
pub fn nearest<'k>(written: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    // The distance takes time in proportion to both lengths: no name of ours is that long.
    if written.len() > 64 {
        return None;
    }
    let written = written.to_lowercase();
    known
        .into_iter()
        .map(|name| (strsim::osa_distance(&written, &name.to_lowercase()), name))
        .filter(|(distance, name)| *distance <= (name.chars().count().max(3)) / 3)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// "`a`, `b` or `c`".
pub fn one_of<'k>(names: impl IntoIterator<Item = &'k str>) -> String {
    let names: Vec<String> = names.into_iter().map(|name| format!("`{name}`")).collect();
    match names.split_last() {
        None => "nothing".to_owned(),
        Some((only, [])) => only.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_finger_are_understood() {
        let known = ["Contrast", "Chroma", "Crop"];
        assert_eq!(nearest("Contrats", known), Some("Contrast"));
        assert_eq!(nearest("contrast", known), Some("Contrast"));
        assert_eq!(nearest("Crpo", known), Some("Crop"));
        assert_eq!(nearest("Cropp", known), Some("Crop"));
        assert_eq!(nearest("Sepia", known), None);
        assert_eq!(nearest(&"C".repeat(1 << 20), known), None);
    }

    #[test]
    fn lists_read_like_a_sentence() {
        assert_eq!(one_of([]), "nothing");
        assert_eq!(one_of(["a"]), "`a`");
        assert_eq!(one_of(["a", "b", "c"]), "`a`, `b` or `c`");
    }
}
