//! The consistency page: one file that opens from disk, a strip plot a measure, everybody with a
//! small picture; and the same as a table.
//!
//! No scripts and no requests: styles, plots (SVG) and pictures (data URIs) are inside. All text
//! from outside is escaped. Colours are never the only sign: who stands out has another shape and a
//! name.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::pages::{escaped, plain};

/// What the page begins with, and the table: by this a later run knows them for its own.
const HTML_MARK: &str = "<!doctype html>\n<!-- lapel consistency page -->\n";
const CSV_MARK: &str = "person,frame,stands_out_in,";

/// Width and height of a plot, in its own units, and its margin at the sides.
const PLOT: [f64; 2] = [720.0, 110.0];
const MARGIN: f64 = 40.0;
/// Names written beside a plot's dots at most; all stand in the table.
const NAMED: usize = 6;

/// All that is shown.
#[derive(Debug, Clone)]
pub struct Page {
    /// Whose pictures.
    pub client: String,
    /// What they are held beside.
    pub beside: String,
    /// A person each.
    pub rows: Vec<Row>,
    /// What is shown of them.
    pub measures: Vec<Measure>,
}

/// One person's picture.
#[derive(Debug, Clone)]
pub struct Row {
    /// Who.
    pub person: String,
    /// The frame's file name.
    pub frame: String,
    /// A small JPEG; empty when there is none.
    pub thumbnail: Vec<u8>,
}

/// One figure of all pictures.
#[derive(Debug, Clone)]
pub struct Measure {
    /// What it is.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// What it should be, if that is known.
    pub target: Option<f64>,
    /// How far off before it stands out.
    pub tolerance: f64,
    /// One a row, where it was measured.
    pub values: Vec<Option<f64>>,
}

impl Measure {
    /// Rows that stand out.
    pub fn outliers(&self) -> impl Iterator<Item = usize> + '_ {
        let off = |value: f64| {
            // What rounding to print may add is no matter.
            self.target
                .is_some_and(|target| (value - target).abs() > self.tolerance + 1e-9)
        };
        let all = self.values.iter().enumerate();
        all.filter(move |(_, value)| value.is_some_and(off))
            .map(|(row, _)| row)
    }

    /// Lowest and highest value.
    pub fn range(&self) -> Option<[f64; 2]> {
        let mut values = self.values.iter().flatten();
        let first = *values.next()?;
        Some(values.fold([first; 2], |[low, high], v| [low.min(*v), high.max(*v)]))
    }

    /// How far the picture that is farthest off is off the target.
    pub fn farthest(&self) -> Option<f64> {
        let target = self.target?;
        let [low, high] = self.range()?;
        Some((high - target).max(target - low))
    }

    /// In a line: range, target, how close to it they came, and unit.
    pub fn summary(&self) -> String {
        let Some([low, high]) = self.range() else {
            return "not measured".to_owned();
        };
        let target = match self.target.zip(self.farthest()) {
            Some((target, farthest)) => format!(
                ", target {} \u{b1} {}, farthest off by {}",
                short(target),
                short(self.tolerance),
                short(farthest)
            ),
            None => String::new(),
        };
        format!("{} to {}{target} ({})", short(low), short(high), self.unit)
    }

    /// The strip plot.
    fn plot(&self, rows: &[Row]) -> String {
        let Some([low, high]) = self.range() else {
            return "<p>Not measured.</p>".to_owned();
        };
        let middle = self.target.unwrap_or(0.5 * (low + high));
        // The tolerance fills about half of the width unless somebody is farther off.
        let reach = (high - middle).max(middle - low).max(1.8 * self.tolerance) * 1.1;
        let [width, height] = PLOT;
        let x = |value: f64| 0.5 * width + (value - middle) / reach * (0.5 * width - MARGIN);
        let mut svg = format!(
            "<svg viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"{}: {}\">",
            self.name,
            escaped(&self.summary()),
        );
        let (from, to) = (x(middle - self.tolerance), x(middle + self.tolerance));
        if self.target.is_some() {
            let (wide, centre) = (to - from, x(middle));
            let _ = write!(
                svg,
                "<rect class=\"band\" x=\"{from:.1}\" y=\"18\" width=\"{wide:.1}\" height=\"56\"/>\
                 <line class=\"target\" x1=\"{centre:.1}\" x2=\"{centre:.1}\" y1=\"14\" y2=\"78\"/>",
            );
        }
        let outliers: Vec<usize> = self.outliers().collect();
        for (row, value) in self.values.iter().enumerate() {
            let Some(value) = value else { continue };
            let title = format!("{}: {}", rows[row].person, short(*value));
            let (x, y) = (x(*value), height_of(row));
            let shape = if outliers.contains(&row) {
                // A diamond.
                let points = [(0.0, -8.0), (8.0, 0.0), (0.0, 8.0), (-8.0, 0.0)];
                let points: Vec<String> = points
                    .iter()
                    .map(|(dx, dy)| format!("{:.1},{:.1}", x + dx, y + dy))
                    .collect();
                format!("<polygon class=\"off\" points=\"{}\">", points.join(" "))
            } else {
                format!("<circle class=\"dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\">")
            };
            let end = if outliers.contains(&row) {
                "polygon"
            } else {
                "circle"
            };
            let _ = write!(svg, "{shape}<title>{}</title></{end}>", escaped(&title));
        }
        let mut ticks = vec![
            ("start", MARGIN, middle - reach),
            ("end", width - MARGIN, middle + reach),
        ];
        ticks.push(("middle", 0.5 * width, middle));
        for (anchor, x, value) in ticks {
            let value = short(value);
            let _ = write!(
                svg,
                "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{value}</text>",
                height - 10.0,
            );
        }
        svg.push_str("</svg>");
        svg
    }
}

/// Rows are spread over three heights, so that equal values do not hide one another.
fn height_of(row: usize) -> f64 {
    28.0 + 18.0 * (row % 3) as f64
}

/// A figure with as many digits as it needs, at most two behind the point.
fn short(value: f64) -> String {
    let text = format!("{:.2}", value + 0.0);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

const STYLE: &str = "
:root { color-scheme: light dark; --ink: #1c1e21; --paper: #fbfbfa; --line: #c9ccd1; --band: #dbe6dc;
  --dot: #3d5a80; --off: #b3261e; --soft: #5b6068; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8e9eb; --paper: #191b1e; --line: #41454c;
  --band: #2b3a2f; --dot: #8fb3dd; --off: #ff8a80; --soft: #a5abb3; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 62rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.5rem; margin: .5rem 0; } h2 { font-size: 1.1rem; margin: 0; }
section { border-top: 1px solid var(--line); padding: .9rem 0; }
p { margin: .2rem 0; } .soft { color: var(--soft); }
svg { display: block; width: 100%; height: auto; min-height: 5.5rem; }
svg text { font: 12px system-ui, sans-serif; fill: var(--soft); }
header { padding-bottom: .7rem; }
.band { fill: var(--band); } .target { stroke: var(--ink); stroke-width: 1.5; }
.dot { fill: var(--dot); fill-opacity: .75; } .off { fill: var(--off); } .named { color: var(--off); }
ul { list-style: none; padding: 0; margin: 0; display: grid; gap: .8rem;
  grid-template-columns: repeat(auto-fill, minmax(9rem, 1fr)); }
li { border: 1px solid var(--line); border-radius: .3rem; padding: .5rem; overflow-wrap: anywhere; }
li img { display: block; width: 100%; height: auto; }
@media (max-width: 40rem) { body { padding: .6rem; } svg text { font-size: 26px; } .dot { r: 8px; }
  .off { stroke: var(--off); stroke-width: 6px; } }
";

impl Page {
    /// Names of the measures in which a row stands out.
    fn stands_out(&self, row: usize) -> Vec<&'static str> {
        let all = self.measures.iter();
        all.filter(|measure| measure.outliers().any(|other| other == row))
            .map(|measure| measure.name)
            .collect()
    }

    /// The page; `program` is named at its end.
    pub fn html(&self, program: &str) -> String {
        let client = escaped(&self.client);
        let mut text = format!(
            "{HTML_MARK}<html lang=\"en\"><head><meta charset=\"utf-8\">\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
             style-src 'unsafe-inline'; img-src data:\">\
             <title>{client}: how alike the pictures are</title><style>{STYLE}</style></head><body>\n\
             <header><h1>{client}: how alike the pictures are</h1>\n",
        );
        let off = (0..self.rows.len())
            .filter(|row| !self.stands_out(*row).is_empty())
            .count();
        let people = match self.rows.len() {
            1 => "1 picture".to_owned(),
            count => format!("{count} pictures"),
        };
        let _ = writeln!(
            text,
            "<p>{people}, held beside {}. {}</p>\
             <p class=\"soft\">A dot is a picture; the shaded band is what may differ; a diamond stands \
             out and is named.</p></header><main>",
            escaped(&self.beside),
            match off {
                0 => "None stands out.".to_owned(),
                1 => "1 stands out.".to_owned(),
                count => format!("{count} stand out."),
            }
        );
        for measure in &self.measures {
            let _ = write!(
                text,
                "<section><h2>{}</h2><p class=\"soft\">{}</p>{}",
                measure.name,
                escaped(&measure.summary()),
                measure.plot(&self.rows),
            );
            let outliers: Vec<usize> = measure.outliers().collect();
            if !outliers.is_empty() {
                let mut names: Vec<String> = outliers
                    .iter()
                    .take(NAMED)
                    .map(|row| {
                        let value = measure.values[*row].map_or_else(String::new, short);
                        format!("{} ({value})", escaped(&self.rows[*row].person))
                    })
                    .collect();
                if outliers.len() > NAMED {
                    names.push(format!("and {} more", outliers.len() - NAMED));
                }
                let _ = write!(text, "<p class=\"named\">\u{25c6} {}</p>", names.join(", "));
            }
            text.push_str("</section>\n");
        }
        text.push_str("<section><h2>Everybody</h2><ul>\n");
        for (index, row) in self.rows.iter().enumerate() {
            let person = escaped(&row.person);
            text.push_str("<li>");
            if !row.thumbnail.is_empty() {
                let data = STANDARD.encode(&row.thumbnail);
                let _ = write!(
                    text,
                    "<img src=\"data:image/jpeg;base64,{data}\" alt=\"{person}\">"
                );
            }
            let _ = write!(
                text,
                "<p>{person}</p><p class=\"soft\">{}</p>",
                escaped(&row.frame)
            );
            let off = self.stands_out(index);
            if !off.is_empty() {
                let _ = write!(text, "<p class=\"named\">\u{25c6} {}</p>", off.join("; "));
            }
            text.push_str("</li>\n");
        }
        let _ = writeln!(
            text,
            "</ul></section></main><footer><p class=\"soft\">Head and eyes are where the program \
             found them. Made by {}.</p></footer></body></html>",
            escaped(program)
        );
        text
    }

    /// The same as a table: a row a picture, then rows of targets and of what may differ.
    ///
    /// # Errors
    /// When the table cannot be written, in words.
    pub fn csv(&self) -> Result<String, String> {
        let mut table = csv::Writer::from_writer(Vec::new());
        let mut head = vec![
            "person".to_owned(),
            "frame".to_owned(),
            "stands_out_in".to_owned(),
        ];
        head.extend(
            self.measures
                .iter()
                .map(|m| format!("{} [{}]", m.name, m.unit)),
        );
        let mut lines = vec![head];
        for (index, row) in self.rows.iter().enumerate() {
            let off = self.stands_out(index).join("; ");
            let mut line = vec![plain(&row.person), plain(&row.frame), off];
            let values = self.measures.iter().map(|measure| measure.values[index]);
            line.extend(values.map(|value| value.map_or_else(String::new, short)));
            lines.push(line);
        }
        let mut targets = vec!["(target)".to_owned(), String::new(), String::new()];
        let values = self.measures.iter().map(|measure| measure.target);
        targets.extend(values.map(|value| value.map_or_else(String::new, short)));
        lines.push(targets);
        let mut may = vec!["(may differ by)".to_owned(), String::new(), String::new()];
        may.extend(self.measures.iter().map(|measure| short(measure.tolerance)));
        lines.push(may);
        for line in lines {
            table
                .write_record(line)
                .map_err(|error| error.to_string())?;
        }
        let bytes = table.into_inner().map_err(|error| error.to_string())?;
        String::from_utf8(bytes).map_err(|error| error.to_string())
    }
}

/// Whether a file is such a page or table, of an earlier run.
pub fn is_ours(file: &[u8]) -> bool {
    file.starts_with(HTML_MARK.as_bytes()) || file.starts_with(CSV_MARK.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page() -> Page {
        let row = |person: &str| Row {
            person: person.to_owned(),
            frame: "s01.dng".to_owned(),
            thumbnail: vec![1, 2, 3],
        };
        Page {
            client: "A & B <i>".to_owned(),
            beside: "the middle of this delivery".to_owned(),
            rows: vec![
                row("<script>alert('x')</script>"),
                row("=1+1"),
                row("Cy \"Q\""),
            ],
            measures: vec![Measure {
                name: "Wall, lightness",
                unit: "L*",
                target: Some(62.0),
                tolerance: 0.5,
                values: vec![Some(62.1), Some(63.0), None],
            }],
        }
    }

    #[test]
    fn names_cannot_leave_their_place_and_nothing_is_requested() {
        let html = page().html("lapel");
        assert!(
            !html.contains("<script") && !html.contains("alert('x')"),
            "{html}"
        );
        assert!(html.contains("A &amp; B &lt;i&gt;") && html.contains("Cy &quot;Q&quot;"));
        assert!(!html.contains("http://") && !html.contains("https://"));
        assert!(html.contains("\u{25c6} =1+1 (63)") && is_ours(html.as_bytes()));
    }

    #[test]
    fn who_stands_out_is_named_in_the_table_and_no_cell_is_a_formula() {
        let csv = page().csv().expect("plain text");
        let lines: Vec<&str> = csv.lines().collect();
        assert_eq!(
            lines[0],
            "person,frame,stands_out_in,\"Wall, lightness [L*]\""
        );
        assert_eq!(lines[2], "'=1+1,s01.dng,\"Wall, lightness\",63");
        assert_eq!(lines[3], "\"Cy \"\"Q\"\"\",s01.dng,,");
        assert_eq!(lines[4], "(target),,,62");
        assert_eq!(lines[5], "(may differ by),,,0.5");
        assert!(is_ours(csv.as_bytes()) && !is_ours(b"person,frame"));
    }
}
