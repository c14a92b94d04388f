//! Names of delivered files: a pattern filled in, safe on every disk and inside of its folder.
//!
//! What a roster says can be anything; what comes out is letters, digits and `- _ .` in plain
//! ASCII. Letters are turned as in passports (ICAO Doc 9303, part 3, section 6: tables A and B), others
//! as the crate `deunicode` spells them, and what it does not know becomes its code point (`u1f3`). Two
//! people whose names come out alike are told before anything is rendered (`job::plan`). Patterns may hold folders (`print/{file_name}`); each part is checked after filling:
//! no `..`, no hidden file, no name that Windows keeps for devices.

/// Longest part between slashes: file systems take 255 bytes, and a sidecar's ending and the name
/// of the temporary file need room.
const LONGEST: usize = 180;

/// Device names that Windows keeps, with any ending ("Naming Files, Paths, and Namespaces").
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// Why a pattern gives no name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// The pattern is not written right.
    #[error("the pattern `{pattern}` {rule}")]
    Malformed {
        /// As given.
        pattern: String,
        /// What is wrong.
        rule: String,
    },
    /// A field that the pattern asks for is empty.
    #[error("`{field}` is empty or has nothing that can stand in a file name")]
    Empty {
        /// Its name.
        field: String,
    },
    /// The filled name cannot be one.
    #[error("`{name}` cannot be a file name: {rule}")]
    Unsafe {
        /// As it came out.
        name: String,
        /// Why not.
        rule: &'static str,
    },
}

/// Fills a pattern such as `{file_name}_{output}` and adds the ending; `{ext}` puts the ending
/// where it stands instead. Parts are divided by `/`.
///
/// # Errors
/// When the pattern names an unknown field, a field comes out empty, or the name would be unsafe.
pub fn fill(pattern: &str, fields: &[(&str, &str)], ending: &str) -> Result<String, Error> {
    let malformed = |rule: String| Error::Malformed {
        pattern: pattern.to_owned(),
        rule,
    };
    let mut name = String::new();
    let mut rest = pattern;
    let mut has_ending = false;
    while let Some((literal, after)) = rest.split_once('{') {
        let Some((field, after)) = after.split_once('}') else {
            return Err(malformed(
                "has an opening brace without a closing one".into(),
            ));
        };
        name += &literal_text(literal);
        if field == "ext" {
            name += ending;
            has_ending = true;
        } else {
            let found = fields.iter().find(|(known, _)| *known == field);
            let Some((_, value)) = found else {
                let known: Vec<_> = fields.iter().map(|(known, _)| *known).collect();
                let known = known.join(", ");
                return Err(malformed(format!(
                    "asks for `{field}`; there are {known}, ext"
                )));
            };
            let value = plain(value);
            if value.is_empty() {
                return Err(Error::Empty {
                    field: field.to_owned(),
                });
            }
            name += &value;
        }
        rest = after;
    }
    if rest.contains('}') {
        return Err(malformed(
            "has a closing brace without an opening one".into(),
        ));
    }
    name += &literal_text(rest);
    if !has_ending {
        name.push('.');
        name += ending;
    }
    check(&name)?;
    Ok(name)
}

/// Whether a relative name stays in its folder and is allowed on common file systems.
///
/// # Errors
/// Says which rule it breaks.
pub fn check(name: &str) -> Result<(), Error> {
    for part in name.split('/') {
        let stem = part
            .split('.')
            .next()
            .unwrap_or("")
            .trim_end()
            .to_ascii_lowercase();
        let numbered = |device: &str| {
            stem.strip_prefix(device)
                .is_some_and(|n| n.len() == 1 && n != "0" && n.bytes().all(|b| b.is_ascii_digit()))
        };
        let rule = if part.is_empty() {
            "a part between slashes is empty"
        } else if part.starts_with('.') {
            "a part begins with a dot"
        } else if part.starts_with(' ') || part.ends_with([' ', '.']) {
            "a part begins or ends with a blank, or ends with a dot"
        } else if part.contains(|c: char| c.is_control() || "\\:*?\"<>|".contains(c)) {
            "it holds a character that file systems refuse"
        } else if part.len() > LONGEST {
            "a part is longer than 180 bytes"
        } else if DEVICES.contains(&stem.as_str()) || numbered("com") || numbered("lpt") {
            "Windows keeps it for a device"
        } else {
            continue;
        };
        return Err(Error::Unsafe {
            name: name.to_owned(),
            rule,
        });
    }
    Ok(())
}

/// The pattern's own text: ASCII, blanks and slashes kept.
fn literal_text(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        if c.is_ascii() {
            out.push(c)
        } else {
            push_ascii(&mut out, c)
        }
        out
    })
}

/// A field's value as part of a name: words joined by single hyphens.
fn plain(value: &str) -> String {
    let mut out = String::new();
    for c in value.chars() {
        match c {
            'a'..='z' | 'A'..='Z' | '0'..='9' | '_' => out.push(c),
            // O'Brien is OBrien, as in a passport.
            '\'' | '\u{2019}' | '\u{2bc}' | '`' => {}
            '.' => {
                if !out.ends_with(['.', '-']) {
                    out.push('.');
                }
            }
            c if c.is_alphanumeric() || is_mark(c) => push_ascii(&mut out, c),
            _ => {
                if !out.ends_with(['-', '.']) {
                    out.push('-');
                }
            }
        }
    }
    out.trim_matches(['-', '.']).to_owned()
}

/// Combining accents (U+0300 to U+036F), which stand behind the letter that they belong to.
fn is_mark(c: char) -> bool {
    ('\u{300}'..='\u{36f}').contains(&c)
}

/// Small letters and their transcription; capitals follow.
const LETTERS: &[(&str, &str)] = &[
    // ICAO Doc 9303-3, table A: Latin letters.
    ("áàâãăāąǎ", "a"),
    ("ä", "ae"),
    ("å", "aa"),
    ("æ", "ae"),
    ("ćĉčċç", "c"),
    ("ðđď", "d"),
    ("éèêëěēęėĕ", "e"),
    ("ĝğġģ", "g"),
    ("ĥħ", "h"),
    ("íìîïĩīĭįı", "i"),
    ("ĵ", "j"),
    ("ķ", "k"),
    ("łĺľļŀ", "l"),
    ("ńňñņŋ", "n"),
    ("óòôõōŏő", "o"),
    ("öøœ", "oe"),
    ("ŕřŗ", "r"),
    ("śŝšşș", "s"),
    ("ß", "ss"),
    ("ťţțŧ", "t"),
    ("þ", "th"),
    ("úùûũūŭůűų", "u"),
    ("ü", "ue"),
    ("ŵ", "w"),
    ("ýÿŷ", "y"),
    ("źżž", "z"),
    // Table B: Cyrillic.
    ("а", "a"),
    ("б", "b"),
    ("в", "v"),
    ("гґ", "g"),
    ("д", "d"),
    ("еёэ", "e"),
    ("ж", "zh"),
    ("з", "z"),
    ("иіїй", "i"),
    ("к", "k"),
    ("л", "l"),
    ("м", "m"),
    ("н", "n"),
    ("о", "o"),
    ("п", "p"),
    ("р", "r"),
    ("с", "s"),
    ("т", "t"),
    ("у", "u"),
    ("ф", "f"),
    ("х", "kh"),
    ("ц", "ts"),
    ("ч", "ch"),
    ("ш", "sh"),
    ("щ", "shch"),
    ("ъ", "ie"),
    ("ы", "y"),
    ("ь", ""),
    ("ю", "iu"),
    ("я", "ia"),
    ("є", "ie"),
];

fn push_ascii(out: &mut String, c: char) {
    if is_mark(c) {
        return;
    }
    let small: Vec<char> = c.to_lowercase().collect();
    let found = LETTERS.iter().find(|(letters, _)| match small[..] {
        [small] => letters.contains(small),
        _ => false,
    });
    match found {
        // Ä is Ae.
        Some((_, ascii)) if c.is_uppercase() => {
            let mut ascii = ascii.chars();
            out.extend(ascii.next().map(|first| first.to_ascii_uppercase()));
            out.extend(ascii);
        }
        Some((_, ascii)) => *out += ascii,
        None => {
            let spelled = deunicode::deunicode_char(c).unwrap_or_default();
            let letters = spelled.chars().filter(char::is_ascii_alphanumeric);
            let before = out.len();
            out.extend(letters);
            if out.len() == before {
                *out += &format!("u{:x}", u32::from(c));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(person: &str) -> Result<String, Error> {
        fill(
            "{person}_{output}",
            &[("person", person), ("output", "web")],
            "jpg",
        )
    }

    #[track_caller]
    fn check_name(person: &str, expected: &str) {
        assert_eq!(name(person).as_deref(), Ok(expected));
    }

    /// ICAO Doc 9303-3, section 6, tables A and B.
    #[test]
    fn letters_become_those_of_passports() {
        check_name("Zoë Müller", "Zoe-Mueller_web.jpg");
        check_name("Søren Ångström", "Soeren-Aangstroem_web.jpg");
        check_name("Łukasz Żółć", "Lukasz-Zolc_web.jpg");
        check_name("Þóra Æsa Weiß", "Thora-Aesa-Weiss_web.jpg");
        check_name("Щукин Юрий", "Shchukin-Iurii_web.jpg");
        check_name("Zoe\u{308} O'Brien-Núñez", "Zoe-OBrien-Nunez_web.jpg");
    }

    /// Mandarin as in Pinyin (ISO 7098), Greek as in ISO 843, Japanese kana as in Hepburn's way.
    #[test]
    fn letters_of_other_scripts_are_spelled() {
        check_name("李 伟", "Li-Wei_web.jpg");
        check_name("Νίκος", "Nikos_web.jpg");
        check_name("さくら", "sakura_web.jpg");
        assert_ne!(name("李"), name("王"));
    }

    #[test]
    fn what_nobody_can_spell_becomes_its_number() {
        check_name("x\u{12000}", "xu12000_web.jpg");
    }

    #[test]
    fn hostile_names_are_made_harmless_or_refused() {
        check_name("../../etc/passwd", "etc-passwd_web.jpg");
        check_name("a\\b:c*d?\"<>|\u{0}\n", "a-b-c-d_web.jpg");
        assert!(matches!(name(" .. / "), Err(Error::Empty { .. })));
        assert!(matches!(name(&"x".repeat(300)), Err(Error::Unsafe { .. })));
        let device = fill("{person}", &[("person", "Con")], "jpg");
        assert!(matches!(device, Err(Error::Unsafe { .. })));
        for pattern in [
            "../{person}",
            "/{person}",
            "a/../{person}",
            "{person}/",
            ".{person}",
        ] {
            let found = fill(pattern, &[("person", "x")], "jpg");
            assert!(
                matches!(found, Err(Error::Unsafe { .. })),
                "{pattern}: {found:?}"
            );
        }
        for pattern in ["{who}", "{person", "person}"] {
            let found = fill(pattern, &[("person", "x")], "jpg");
            assert!(
                matches!(found, Err(Error::Malformed { .. })),
                "{pattern}: {found:?}"
            );
        }
    }

    #[test]
    fn an_ending_can_stand_where_it_is_asked_for() {
        let fields = [("file_name", "ada")];
        assert_eq!(
            fill("{ext}/{file_name}.{ext}", &fields, "tif").as_deref(),
            Ok("tif/ada.tif")
        );
    }

    proptest::proptest! {
        #[test]
        fn no_name_leaves_its_folder(pattern in ".{0,40}", person in ".{0,60}") {
            let fields = [("person", person.as_str()), ("output", "web")];
            for pattern in [pattern.as_str(), "{person}", "x/{person}/{output}"] {
                if let Ok(name) = fill(pattern, &fields, "jpg") {
                    let mut parts = std::path::Path::new(&name).components();
                    assert!(parts.all(|part| matches!(part, std::path::Component::Normal(_))));
                    assert!(name.is_ascii() && !name.contains(['\\', '\0', ':']));
                }
            }
        }
    }
}
