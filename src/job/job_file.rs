//! The job file: which frames of which people get which look, and which files come out.
//!
//! ```ron
//! Job(
//!     format: 1,
//!     client: "Harbour Lane Surveyors",
//!     recipe: "house.ron",
//!     frames: "frames",                          // a folder, or a list of files
//!     roster: "roster.csv",
//!     picks: "picks.csv",                        // from the proof gallery; or a folder of such files
//!     // The chart: its frame, or the profile that `lapel calibrate` wrote from it (`chart.ron`).
//!     set: Set(empty: "frames/empty.dng", chart: "frames/chart.dng", reference: "frames/s01.dng"),
//!     match: Match(exposure: true, white: true), // to the reference's backdrop
//!     match_to: "../2025/delivered",             // last year's wall, size and crop
//!     practice: Practice(aperture: (5.6, 6.3)),  // what `capture` holds frames to
//!     keywords: ["headshot"],
//!     outputs: [
//!         Output(name: "web", long_edge: 1200, format: Jpeg(quality: 90), profile: Srgb),
//!         Output(name: "avatar", crop: Circle, width: 400, format: Jpeg(max_kilobytes: 60)),
//!         Output(name: "header", crop: Banner(aspect: (3, 1), sitter: Left, extend_wall: true),
//!                width: 2400, format: Jpeg(progressive: true), black_and_white: true),
//!         Output(name: "print", print: (8.0, 10.0), ppi: 300, format: Tiff(bits: 16), profile: OpRgb,
//!                pattern: "print/{file_name}"),
//!     ],
//!     deliver_to: "delivered",
//!     rights: Rights(creator: "A. Photographer", copyright: "© 2026 A. Photographer"),
//!     memory: 2500,                              // megabytes
//! )
//! ```
//!
//! All paths are told from the folder of the job file. Reading it touches no disk.

use std::sync::Arc;

use crate::checks::Practice;
use crate::engine::Matching;
use crate::recipe::reader::{self, Reader};
use crate::recipe::tree::{Group, Node, Value};
use crate::recipe::{Diagnostics, Place, Source};

use super::output_file::{self, Output};
use super::practice;

/// Most keywords, and bytes of one: what IPTC-IIM 4.2 holds (dataset 2:25); more than these are a
/// slip of the pen.
const MOST_KEYWORDS: usize = 50;
const LONGEST_KEYWORD: usize = 64;
/// Most frames that are listed one by one.
const MOST_FRAMES: usize = 20_000;
/// A job as written, checked as far as its own text goes.
#[derive(Debug, Clone)]
pub struct JobFile {
    /// Whose job it is; for reports and the contact sheet.
    pub client: String,
    /// The recipe for everybody who has none of their own in the roster.
    pub recipe: Written<String>,
    /// Where the frames are.
    pub frames: Frames,
    /// The roster.
    pub roster: Written<String>,
    /// Who chose which frames: a table, or a folder of them.
    pub picks: Option<Written<String>>,
    /// Reference frames of the set.
    pub set: SetFrames,
    /// What is brought together among the set's frames; `None` leaves them as they are.
    pub matching: Option<Matching>,
    /// The folder of a past delivery that this one shall look like.
    pub match_to: Option<Written<String>>,
    /// What the set's frames are held to when they are checked.
    pub practice: Practice,
    /// Kinds of delivered files, at least one, each with its own name.
    pub outputs: Vec<Output>,
    /// The folder that nothing leaves.
    pub deliver_to: Written<String>,
    /// What is written into the files' metadata.
    pub rights: Rights,
    /// Keywords of every file.
    pub keywords: Vec<String>,
    /// Megabytes that a run may take, if the job says so.
    pub memory: Option<u32>,
}

/// A value with the place where it was written, for mistakes that only the disk can tell.
#[derive(Debug, Clone)]
pub struct Written<T> {
    /// What was written.
    pub value: T,
    /// Where.
    pub place: Place,
}

/// Where the frames are, from the job's folder.
#[derive(Debug, Clone)]
pub enum Frames {
    /// All frames of a folder.
    Folder(Written<String>),
    /// These files.
    List(Vec<Written<String>>),
}

/// Frames that tell about the set rather than a sitter.
#[derive(Debug, Clone, Default)]
pub struct SetFrames {
    /// The backdrop without a sitter.
    pub empty: Option<Written<String>>,
    /// The colour chart in the set's light: its frame, or the profile (`.ron`) that `calibrate`
    /// wrote from it.
    pub chart: Option<Written<String>>,
    /// The first approved frame.
    pub reference: Option<Written<String>>,
}

impl SetFrames {
    /// Those that were named.
    pub fn all(&self) -> impl Iterator<Item = &Written<String>> {
        [&self.empty, &self.chart, &self.reference]
            .into_iter()
            .flatten()
    }
}

/// What is written into the files' metadata; empty where the job says nothing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rights {
    /// Who made the picture.
    pub creator: String,
    /// The notice.
    pub copyright: String,
    /// How to be named when it is printed.
    pub credit: String,
    /// What the client may do with it.
    pub usage: String,
    /// Where to ask.
    pub contact: String,
}

impl JobFile {
    /// Reads a job. `None` when there was any error; `notes` has them all.
    pub fn read(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<Self> {
        reader::whole(source, "Job", notes, read_job)
    }
}

fn read_job(reader: &mut Reader, group: &Group) -> Option<JobFile> {
    let known = [
        "format",
        "client",
        "recipe",
        "frames",
        "roster",
        "picks",
        "set",
        "match",
        "match_to",
        "practice",
        "outputs",
        "deliver_to",
        "rights",
        "keywords",
        "memory",
    ];
    let fields = reader.fields(group, "Job", &known);
    reader.format(&fields);
    let client = reader
        .need(&fields, "client")
        .and_then(|node| reader.text(node));
    let recipe = reader
        .need(&fields, "recipe")
        .and_then(|node| path(reader, node));
    let roster = reader
        .need(&fields, "roster")
        .and_then(|node| path(reader, node));
    let picks = fields.get("picks").and_then(|node| path(reader, node));
    let deliver_to = reader
        .need(&fields, "deliver_to")
        .and_then(|node| path(reader, node));
    let frames = reader
        .need(&fields, "frames")
        .and_then(|node| read_frames(reader, node));
    let set = fields.get("set").map(|node| read_set(reader, node));
    let matching = fields
        .get("match")
        .and_then(|node| read_matching(reader, node));
    let has_wall = set
        .as_ref()
        .is_some_and(|set| set.reference.is_some() || set.empty.is_some());
    if let Some(span) = fields.name_of("match").filter(|_| !has_wall) {
        reader
            .error(span, "`match` needs a frame to match to")
            .label("no `reference` and no `empty` in `set`")
            .help("name the first approved frame: `set: Set(reference: \"frames/s01.dng\")`");
    }
    let match_to = fields.get("match_to").and_then(|node| path(reader, node));
    let practice = fields
        .get("practice")
        .map(|node| practice::read(reader, node));
    let rights = fields.get("rights").map(|node| read_rights(reader, node));
    let keywords = fields
        .get("keywords")
        .map(|node| read_keywords(reader, node));
    let memory = fields
        .get("memory")
        .and_then(|node| reader.number(node, 650..=1_000_000, "a number of megabytes"));
    let outputs = reader
        .need(&fields, "outputs")
        .and_then(|node| output_file::read(reader, node));
    if let (Some(Frames::Folder(frames)), Some(deliver_to)) = (&frames, &deliver_to) {
        apart(reader, frames, deliver_to);
    }
    Some(JobFile {
        client: client?,
        recipe: recipe?,
        frames: frames?,
        roster: roster?,
        picks,
        set: set.unwrap_or_default(),
        matching,
        match_to,
        practice: practice.unwrap_or_default(),
        outputs: outputs?,
        deliver_to: deliver_to?,
        rights: rights.unwrap_or_default(),
        keywords: keywords.unwrap_or_default(),
        memory,
    })
}

/// A path as text, with its place.
fn path(reader: &mut Reader, node: &Node) -> Option<Written<String>> {
    let value = reader.text(node)?;
    if value.contains(char::is_control) {
        reader.error(
            node.span.clone(),
            "a path holds no line breaks or other control characters",
        );
        return None;
    }
    let place = Place {
        file: Arc::clone(&reader.source),
        span: node.span.clone(),
    };
    Some(Written { value, place })
}

/// Originals and results in one folder would sooner or later be mixed up.
fn apart(reader: &mut Reader, frames: &Written<String>, deliver_to: &Written<String>) {
    let tidy = |path: &str| crate::recipe::beside("", path.trim_end_matches('/'));
    if tidy(&frames.value) == tidy(&deliver_to.value) {
        reader
            .error(
                deliver_to.place.span.clone(),
                "`deliver_to` is the folder of the frames",
            )
            .label("originals lie here")
            .help("deliver to a folder of its own, such as \"delivered\"");
    }
}

fn read_frames(reader: &mut Reader, node: &Node) -> Option<Frames> {
    let Value::List(items) = &node.value else {
        if matches!(node.value, Value::Text(_)) {
            return path(reader, node).map(Frames::Folder);
        }
        reader.expected(node, "a folder in quotes or a list of files");
        return None;
    };
    if items.is_empty() || items.len() > MOST_FRAMES {
        let message = format!("expected 1 to {MOST_FRAMES} frames, found {}", items.len());
        reader.error(node.span.start..node.span.start + 1, message);
        return None;
    }
    Some(Frames::List(
        items.iter().filter_map(|item| path(reader, item)).collect(),
    ))
}

fn read_set(reader: &mut Reader, node: &Node) -> SetFrames {
    let Some(group) = reader.group(node, "Set", true) else {
        return SetFrames::default();
    };
    let fields = reader.fields(group, "Set", &["empty", "chart", "reference"]);
    let mut frame = |name| fields.get(name).and_then(|node| path(reader, node));
    SetFrames {
        empty: frame("empty"),
        chart: frame("chart"),
        reference: frame("reference"),
    }
}

fn read_matching(reader: &mut Reader, node: &Node) -> Option<Matching> {
    let group = reader.group(node, "Match", true)?;
    let fields = reader.fields(group, "Match", &["exposure", "white"]);
    let mut wanted = |name| match fields.get(name) {
        Some(node) => reader.word(node, "answer", &[("true", true), ("false", false)]),
        None => Some(true),
    };
    let (exposure, white) = (wanted("exposure"), wanted("white"));
    Some(Matching {
        exposure: exposure?,
        white: white?,
    })
}

fn read_rights(reader: &mut Reader, node: &Node) -> Rights {
    let Some(group) = reader.group(node, "Rights", true) else {
        return Rights::default();
    };
    let known = ["creator", "copyright", "credit", "usage", "contact"];
    let fields = reader.fields(group, "Rights", &known);
    let mut text = |name: &str| {
        let node = fields.get(name)?;
        let text = reader.text(node)?;
        if text.len() > 2000 {
            reader.error(
                node.span.clone(),
                format!("`{name}` is longer than 2000 bytes"),
            );
        }
        Some(text)
    };
    Rights {
        creator: text("creator").unwrap_or_default(),
        copyright: text("copyright").unwrap_or_default(),
        credit: text("credit").unwrap_or_default(),
        usage: text("usage").unwrap_or_default(),
        contact: text("contact").unwrap_or_default(),
    }
}

fn read_keywords(reader: &mut Reader, node: &Node) -> Vec<String> {
    let items = reader.list(node, "keywords").unwrap_or_default();
    if items.len() > MOST_KEYWORDS {
        let message = format!("at most {MOST_KEYWORDS} keywords, found {}", items.len());
        reader.error(node.span.start..node.span.start + 1, message);
        return Vec::new();
    }
    let mut keywords = Vec::new();
    for item in items {
        let Some(keyword) = reader.text(item) else {
            continue;
        };
        if keyword.len() > LONGEST_KEYWORD {
            let message = format!("a keyword has at most {LONGEST_KEYWORD} bytes");
            reader.error(item.span.clone(), message);
        }
        keywords.push(keyword);
    }
    keywords
}
