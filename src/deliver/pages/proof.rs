//! The proof gallery: one section a sitter, each picture to be marked yes, maybe or no, and the
//! choices to be saved as a picks file.
//!
//! Everything that a roster says stands in the page as escaped text or attribute; the script reads it
//! from there, so that no text of a roster is ever part of a script.

use std::fmt::Write;

use super::{ENDS, LARGE, PICTURES, Picture, SCRIPT, STYLE, escaped, head};

/// What the page begins with.
const MARK: &str = "<!doctype html>\n<!-- lapel proof gallery -->\n";

/// All that is shown.
#[derive(Debug, Clone)]
pub struct Gallery {
    /// Whose pictures.
    pub client: String,
    /// In the roster's order.
    pub sitters: Vec<Sitter>,
}

/// One section.
#[derive(Debug, Clone)]
pub struct Sitter {
    /// Who.
    pub person: String,
    /// What they do; may be empty.
    pub title: String,
    /// The roster's name for files, by which picks are told apart.
    pub file_name: String,
    /// What there is to choose from.
    pub shots: Vec<Shot>,
}

/// One picture to choose.
#[derive(Debug, Clone)]
pub struct Shot {
    /// The frame's file name.
    pub frame: String,
    /// The mark of its content.
    pub mark: String,
    /// Its proof.
    pub picture: Picture,
}

const CHOICES: [(&str, &str); 3] = [("yes", "Yes"), ("maybe", "Maybe"), ("no", "No")];

impl Gallery {
    /// The page; `program` is named at its end.
    pub fn html(&self, program: &str) -> String {
        let style = format!("{STYLE}{}", include_str!("proof.css"));
        let script = format!("{SCRIPT}{}", include_str!("proof.js"));
        let title = format!("{}: choose your pictures", self.client);
        let mut text = head(MARK, &title, &style, &script, false);
        // Choices are kept in the browser by client; each one by its picture, so that a gallery that is
        // made again with more pictures knows those that were chosen before.
        let store = blake3::hash(self.client.as_bytes()).to_hex();
        text = text.replacen(
            "<body>",
            &format!("<body data-store=\"lapel-choices-{}\">", &store[..16]),
            1,
        );
        let shots: usize = self.sitters.iter().map(|sitter| sitter.shots.len()).sum();
        let _ = write!(
            text,
            "<a class=\"skip\" href=\"#pictures\">To the pictures</a>\n<header><h1>{}</h1>\
             <p>{}, {}. Find your name, mark each picture with Yes, Maybe or No, and save your choices \
             at the end. Touch or click a picture to see it larger, and the mark on it to take the \
             mark back.</p>\
             <p class=\"soft\">These are quick proofs. The pictures that are chosen get finished with \
             care.</p>\
             <p class=\"note\">Faces are personal data. Show this page only to those who have to choose, \
             pass it on to nobody else, and delete it when the choice is made.</p>\
             <noscript><p class=\"note\">Marking and saving need JavaScript: switch it on for this page, \
             or write down the names under the pictures you choose.</p></noscript>\
             <nav aria-label=\"People\" class=\"screen\"><ul>",
            escaped(&title),
            counted(self.sitters.len(), "person", "people"),
            counted(shots, "picture", "pictures"),
        );
        for (index, sitter) in self.sitters.iter().enumerate() {
            let _ = write!(
                text,
                "<li><a href=\"#sitter-{index}\">{} <span class=\"soft\" id=\"chosen-{index}\"></span>\
                 </a></li>",
                escaped(&sitter.person)
            );
        }
        text.push_str(
            "</ul></nav><label class=\"tick screen\"><input type=\"checkbox\" id=\"hide\" \
             autocomplete=\"off\">Hide pictures marked No</label></header>\n<main id=\"pictures\">\n",
        );
        for (index, sitter) in self.sitters.iter().enumerate() {
            sitter.write(index, &mut text);
        }
        let _ = write!(
            text,
            "</main>\n<section id=\"save\" aria-labelledby=\"save-name\">\
             <h2 id=\"save-name\">Save your choices</h2>\
             <p>Save them as a file and send it to whoever sent you this page. Where no file can be \
             saved, copy the choices as text into a message.</p>\
             <div class=\"row\"><button type=\"button\" class=\"main\" id=\"save-file\">Save choices as a \
             file</button><button type=\"button\" id=\"copy\">Copy choices as text</button>\
             <span><input type=\"file\" id=\"load\" accept=\".csv,text/csv\">\
             <label class=\"button\" for=\"load\">Load an earlier file</label></span></div>\
             <p id=\"told\" role=\"status\"></p>\
             <details id=\"as-text\"><summary>Choices as text</summary>\
             <textarea id=\"text\" readonly aria-label=\"Choices as text\" spellcheck=\"false\" \
             autocomplete=\"off\"></textarea></details></section>\n\
             <footer><p class=\"soft\">Made by {}. Nothing leaves this page by itself.</p></footer>\n\
             <div class=\"bar\" role=\"region\" aria-label=\"Your choices\"><p id=\"count\" \
             aria-live=\"polite\"></p><button type=\"button\" class=\"main\" id=\"bar-save\">Save\
             </button></div>\n{LARGE}\
             <template id=\"large-choice\">{}</template>\n<script>{script}</script></body></html>\n",
            escaped(program),
            choice("large", "<span class=\"hidden-text\">Your choice</span>")
                + &take_back("this picture"),
        );
        text
    }
}

impl Sitter {
    fn write(&self, index: usize, text: &mut String) {
        let (person, count) = (escaped(&self.person), self.shots.len());
        let title = match self.title.as_str() {
            "" => String::new(),
            title => format!("{}, ", escaped(title)),
        };
        let _ = writeln!(
            text,
            "<section class=\"sitter\" id=\"sitter-{index}\" aria-labelledby=\"name-{index}\" \
             data-chosen=\"chosen-{index}\"><h2 id=\"name-{index}\">{person}</h2>\
             <p class=\"soft\">{title}{}</p><ul class=\"shots\">",
            counted(count, "picture", "pictures"),
        );
        for (at, shot) in self.shots.iter().enumerate() {
            let number = at + 1;
            let [small, large] = ENDS.map(|end| format!("{PICTURES}/{}{end}", shot.picture.name));
            let [width, height] = shot.picture.size;
            let frame = escaped(&shot.frame);
            let name = format!("{person}, picture {number} of {count}");
            let _ = writeln!(
                text,
                "<li class=\"shot\" data-person=\"{person}\" data-file-name=\"{}\" \
                 data-frame=\"{frame}\" data-picture=\"{}\"><button type=\"button\" class=\"open\" \
                 data-large=\"{large}\" data-name=\"{name}\">\
                 <span class=\"hidden-text\">Enlarge </span><img src=\"{small}\" \
                 width=\"{width}\" height=\"{height}\" alt=\"{name}\" loading=\"lazy\"></button>{}{}</li>",
                escaped(&self.file_name),
                escaped(&shot.mark),
                choice(
                    &format!("choice-{index}-{at}"),
                    &format!(
                        "<span class=\"hidden-text\">{person}, picture </span>{number} of {count}, {frame}"
                    )
                ),
                take_back(&name),
            );
        }
        text.push_str("</ul></section>\n");
    }
}

/// The three answers, under a legend that is markup.
fn choice(group: &str, legend: &str) -> String {
    let answers: String = CHOICES
        .iter()
        .map(|(value, word)| {
            format!(
                "<label><input type=\"radio\" name=\"{group}\" value=\"{value}\" autocomplete=\"off\">\
                 <span>{word}</span></label>"
            )
        })
        .collect();
    format!("<fieldset><legend>{legend}</legend><div class=\"choice\">{answers}</div></fieldset>")
}

/// The mark on a picture, which takes the answer back when it is pressed; there only once one was
/// given. `name` is markup.
fn take_back(name: &str) -> String {
    format!(
        "<button type=\"button\" class=\"said\" hidden><span class=\"word\"></span>\
         <span aria-hidden=\"true\">\u{d7}</span>\
         <span class=\"hidden-text\">: take this back from {name}</span></button>"
    )
}

fn counted(count: usize, one: &str, several: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { several })
}

/// Whether a file is such a page, of an earlier run.
pub fn is_ours(file: &[u8]) -> bool {
    file.starts_with(MARK.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_roster_says_is_text_and_no_markup() {
        let hostile = "\"><script>x</script><img src=x onerror='y'>";
        let gallery = Gallery {
            client: hostile.to_owned(),
            sitters: vec![Sitter {
                person: hostile.to_owned(),
                title: hostile.to_owned(),
                file_name: hostile.to_owned(),
                shots: vec![Shot {
                    frame: hostile.to_owned(),
                    mark: "b3-0123456789abcdef".to_owned(),
                    picture: Picture {
                        name: "0123".to_owned(),
                        size: [4, 5],
                    },
                }],
            }],
        };
        let page = gallery.html("lapel");
        assert!(is_ours(page.as_bytes()));
        // Our own script and picture, and no others.
        assert_eq!(page.matches("<script").count(), 1);
        assert_eq!(page.matches("<img").count(), 2);
        assert!(!page.contains("onerror='") && !page.contains("\"><script"));
        assert!(page.contains("data-picture=\"b3-0123456789abcdef\""));
        let told = ["http:", "https:", "//", "url("];
        let markup = page.split("<script>").next().expect("the page before it");
        for word in told {
            assert!(!markup.contains(word), "{word} in {markup}");
        }
    }
}
