//! The page that shows frames while they are made: newest first, each with what its check said.
//!
//! The page stays as it is; what it shows stands in a script beside it that the program writes anew
//! and the page runs again every second, since a page from disk may not fetch a file. The script is
//! one call with JSON, in which nothing can end a string or a script.

use serde::Serialize;

use super::{ENDS, LARGE, PICTURES, Picture, SCRIPT, STYLE, escaped, head};

/// What the page begins with.
const MARK: &str = "<!doctype html>\n<!-- lapel watch page -->\n";

/// What a frame's light says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Light {
    /// Checked, nothing found.
    Well,
    /// Something to look at.
    Look,
    /// It cannot be read.
    Broken,
    /// It is still being written, or waits for its turn.
    Wait,
}

/// One frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Card {
    /// Its file name.
    name: String,
    /// Whom it shows, if the roster says so.
    person: String,
    small: Option<String>,
    large: Option<String>,
    size: [usize; 2],
    light: Light,
    says: Vec<String>,
}

impl Card {
    /// A frame with or without its picture.
    pub fn new(
        name: &str,
        person: &str,
        picture: Option<&Picture>,
        light: Light,
        says: Vec<String>,
    ) -> Self {
        let at = |end: usize| picture.map(|p| format!("{PICTURES}/{}{}", p.name, ENDS[end]));
        Self {
            name: name.to_owned(),
            person: person.to_owned(),
            small: at(0),
            large: at(1),
            size: picture.map_or([0, 0], |picture| picture.size),
            light,
            says,
        }
    }
}

/// All that the page shows at a time.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct State {
    /// Another number each time: as long as it changes the program runs.
    pub beat: u64,
    /// Newest first.
    pub frames: Vec<Card>,
    /// How many older ones are not shown.
    pub earlier: usize,
    /// The set's usual figures, in words.
    pub set: Vec<String>,
    /// Why the folder cannot be read now.
    pub gone: Option<String>,
    /// Whether the program has ended.
    pub ended: bool,
}

impl State {
    /// The script that shows it.
    pub fn script(&self) -> String {
        let json = serde_json::to_string(self).expect("plain text and numbers can be written");
        // Inside of JSON these stand in strings alone. Written so, no reader of HTML or of older
        // JavaScript finds an end in them (ECMA-262, 12.3, line terminators).
        let json = json
            .replace('<', "\\u003c")
            .replace('\u{2028}', "\\u2028")
            .replace('\u{2029}', "\\u2029");
        format!("show({json});\n")
    }
}

/// The page of a client's shoot; `program` is named at its end.
pub fn html(client: &str, program: &str) -> String {
    let style = format!("{STYLE}{}", include_str!("watch.css"));
    let script = format!("{SCRIPT}{}", include_str!("watch.js"));
    let title = format!("{client}: frames as they come");
    let head = head(MARK, &title, &style, &script, true);
    format!(
        "{head}<header><h1>{}</h1><p class=\"soft\" id=\"about\"></p>\
         <p class=\"alarm\" id=\"alarm\" role=\"alert\"></p></header>\n\
         <main><p id=\"empty\">No frame yet. Each one appears here a few seconds after it was \
         made.</p><p class=\"hidden-text\" id=\"told\" role=\"status\"></p>\
         <noscript><p>This page needs JavaScript: switch it on for it.</p></noscript>\
         <ul class=\"shots\" id=\"frames\"></ul><p class=\"soft\" id=\"earlier\"></p></main>\n\
         <footer><p class=\"soft\">Made by {}. Quick renders: judge sharpness by what is said, not by \
         the picture. Faces are personal data: delete this folder when the shoot is over.</p></footer>\n\
         {LARGE}<script>{script}</script></body></html>\n",
        escaped(&title),
        escaped(program),
    )
}

/// Whether a file is such a page, of an earlier run.
pub fn is_ours(file: &[u8]) -> bool {
    file.starts_with(MARK.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_ends_neither_string_nor_script() {
        let name = "</script><!--\"\\\u{2028}'.dng";
        let state = State {
            frames: vec![Card::new(
                name,
                name,
                None,
                Light::Wait,
                vec![name.to_owned()],
            )],
            ..State::default()
        };
        let script = state.script();
        assert!(
            !script.contains('<') && !script.contains('\u{2028}'),
            "{script}"
        );
        let json = script
            .strip_prefix("show(")
            .and_then(|rest| rest.strip_suffix(");\n"))
            .expect("one call");
        let read: serde_json::Value = serde_json::from_str(json).expect("JSON");
        assert_eq!(read["frames"][0]["says"][0], name);
    }
}
