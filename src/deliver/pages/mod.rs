//! Pages that are looked at in a browser: what they share.
//!
//! A page opens from disk and from any web server and asks nobody for anything: styles and script
//! are inside and named by their SHA-256 in the page's Content Security Policy (W3C, "Content Security
//! Policy Level 3"), so that nothing else runs, whatever a roster says. Pictures lie beside it.

pub mod proof;
pub mod watch;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

/// Colours and shapes of both pages: neutral greys, so that nothing beside a picture colours the eye.
const STYLE: &str = include_str!("shared.css");
/// The enlarged view of both pages.
const SCRIPT: &str = include_str!("shared.js");

/// A picture of a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Name of the files below the page's `pictures/`, without `-small.jpg` and `-large.jpg`.
    pub name: String,
    /// Pixels of the small one.
    pub size: [usize; 2],
}

/// The folder of a page's pictures.
pub const PICTURES: &str = "pictures";
/// Longer edge of the small picture in pixels: half a phone's width at three pixels a point.
pub const SMALL: usize = 640;
/// Ends of the names of the two files of a picture.
pub const ENDS: [&str; 2] = ["-small.jpg", "-large.jpg"];

/// Text made safe inside of elements and quoted attributes.
pub(super) fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// A cell that no spreadsheet takes for a formula.
pub(super) fn plain(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

/// A page's head and the beginning of its body. `mark` is its first comment, by which a later run
/// knows it for its own; with `feed`, scripts that lie beside the page may run too.
fn head(mark: &str, title: &str, style: &str, script: &str, feed: bool) -> String {
    let digest = |text: &str| STANDARD.encode(Sha256::digest(text.as_bytes()));
    // From disk a browser takes `'self'` for nothing at all or for every file: name both.
    let feed = if feed { "'self' file: " } else { "" };
    format!(
        "{mark}<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
         img-src 'self' file:; style-src 'sha256-{}'; script-src {feed}'sha256-{}'; base-uri 'none'; \
         form-action 'none'\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <meta name=\"robots\" content=\"noindex, nofollow\">\
         <meta name=\"referrer\" content=\"no-referrer\">\
         <title>{}</title><style>{style}</style></head><body>\n",
        digest(style),
        digest(script),
        escaped(title),
    )
}

/// The enlarged view, empty.
const LARGE: &str = "<dialog id=\"large\" aria-labelledby=\"large-name\">\
    <div class=\"top\"><h2 id=\"large-name\"></h2>\
    <button type=\"button\" id=\"large-close\">Close</button></div>\
    <div class=\"stage\"><img id=\"large-picture\" alt=\"\"></div>\
    <div class=\"under\"><button type=\"button\" id=\"large-back\">Previous</button>\
    <div id=\"large-more\"></div>\
    <button type=\"button\" id=\"large-on\">Next</button></div></dialog>\n";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_no_formulas_and_text_is_no_markup() {
        assert_eq!(plain("=1+1"), "'=1+1");
        assert_eq!(plain("Ann"), "Ann");
        assert_eq!(
            escaped("<a href='x' b=\"&\">\n"),
            "&lt;a href=&#39;x&#39; b=&quot;&amp;&quot;&gt; "
        );
    }

    /// CSP Level 3 prints the digest of `alert('Hello, world.');` in its example of hashes.
    #[test]
    fn a_script_is_named_as_the_standard_names_it() {
        let head = head("", "", "", "alert('Hello, world.');", false);
        assert!(
            head.contains("script-src 'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"),
            "{head}"
        );
    }
}
