//! The job file: which frames of which people get which look, and which files come out.
//!
//! ```ron
//! Job(
//!     format: 1,
//!     client: "Harbour Lane Surveyors",
//!     recipe: "house.ron",
//!     frames: "frames",                          // a folder, or a list of files
//!     roster: "roster.csv",
//!     // The chart: its frame, or the profile that `lapel calibrate` wrote from it (`chart.ron`).
//!     set: Set(empty: "frames/empty.dng", chart: "frames/chart.dng", reference: "frames/s01.dng"),
//!     match: Match(exposure: true, white: true), // to the reference's backdrop
//!     match_to: "../2025/delivered",             // last year's wall, size and crop
//!     practice: Practice(aperture: (5.6, 6.3)),  // what `capture` holds frames to
//!     outputs: [
//!         Output(name: "web", long_edge: 1200, format: Jpeg(quality: 90), profile: Srgb),
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
use crate::colour::output::Profile;
use crate::deliver::encode::Format;
use crate::deliver::output::Extent;
use crate::engine::Matching;
use crate::picture::Ratio;
use crate::recipe::reader::{self, Fields, Reader};
use crate::recipe::tree::{Group, Node, Value};
use crate::recipe::{Diagnostics, Place, Source, Span, one_of};

use super::practice;

/// Smallest and largest edge of an output in pixels. The largest is a wall print of 66 inches at
/// 300 ppi; at 16 bits its file is 2.4 GB at 1:1, as much as a TIFF may hold (4 GiB).
const EDGE: std::ops::RangeInclusive<u32> = 16..=20_000;
/// Printed inches of an edge.
const INCHES: std::ops::RangeInclusive<f32> = 0.5..=100.0;
/// Pixels per inch.
const PPI: std::ops::RangeInclusive<u32> = 36..=1200;
/// Most outputs of one job; common practice, no source.
const MOST_OUTPUTS: usize = 24;
/// Most frames that are listed one by one.
const MOST_FRAMES: usize = 20_000;
/// What a pattern can put into a name.
pub const PLACEHOLDERS: [&str; 5] = ["file_name", "person", "team", "frame", "output"];
/// The pattern of an output that has none.
pub const DEFAULT_PATTERN: &str = "{file_name}-{output}";

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

/// One kind of delivered file.
#[derive(Debug, Clone)]
pub struct Output {
    /// As reports and names call it.
    pub name: String,
    /// How large.
    pub size: Extent,
    /// Pixels per inch that the file states.
    pub ppi: u32,
    /// How it is encoded.
    pub format: Format,
    /// Its colour space, embedded as an ICC profile.
    pub profile: Profile,
    /// Name below the delivery folder, without its ending, with [`PLACEHOLDERS`] in braces.
    pub pattern: String,
    /// Factor on the recipe's `OutputSharpening`, 0 to 2.
    pub sharpening: Ratio,
    /// Its name in the job file.
    pub place: Place,
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
        "set",
        "match",
        "match_to",
        "practice",
        "outputs",
        "deliver_to",
        "rights",
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
    let memory = fields
        .get("memory")
        .and_then(|node| reader.number(node, 500..=1_000_000, "a number of megabytes"));
    let outputs = reader
        .need(&fields, "outputs")
        .and_then(|node| read_outputs(reader, node));
    if let (Some(Frames::Folder(frames)), Some(deliver_to)) = (&frames, &deliver_to) {
        apart(reader, frames, deliver_to);
    }
    Some(JobFile {
        client: client?,
        recipe: recipe?,
        frames: frames?,
        roster: roster?,
        set: set.unwrap_or_default(),
        matching,
        match_to,
        practice: practice.unwrap_or_default(),
        outputs: outputs?,
        deliver_to: deliver_to?,
        rights: rights.unwrap_or_default(),
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

fn read_outputs(reader: &mut Reader, node: &Node) -> Option<Vec<Output>> {
    let items = reader.list(node, "outputs")?;
    if items.is_empty() || items.len() > MOST_OUTPUTS {
        let message = format!(
            "expected 1 to {MOST_OUTPUTS} outputs, found {}",
            items.len()
        );
        reader.error(node.span.start..node.span.start + 1, message);
        return None;
    }
    let mut outputs: Vec<Output> = Vec::new();
    for item in items {
        let Some(output) = read_output(reader, item) else {
            continue;
        };
        let span = output.place.span.clone();
        if outputs
            .iter()
            .any(|other| other.name.eq_ignore_ascii_case(&output.name))
        {
            reader.error(span, format!("two outputs are called `{}`", output.name));
        } else if let Some(other) = outputs.iter().find(|other| same_names(other, &output)) {
            reader
                .error(
                    span,
                    format!(
                        "`{}` and `{}` write the same names",
                        other.name, output.name
                    ),
                )
                .help("give one of them another `pattern`, or put {output} into it");
        }
        outputs.push(output);
    }
    Some(outputs)
}

/// Whether two outputs would write one file twice.
fn same_names(first: &Output, second: &Output) -> bool {
    let name = |output: &Output| {
        let pattern = output
            .pattern
            .replace("{output}", &output.name)
            .to_lowercase();
        (pattern, output.format.ending())
    };
    name(first) == name(second)
}

fn read_output(reader: &mut Reader, node: &Node) -> Option<Output> {
    let group = reader.group(node, "Output", true)?;
    let known = [
        "name",
        "width",
        "height",
        "long_edge",
        "print",
        "ppi",
        "format",
        "profile",
        "pattern",
        "sharpening",
    ];
    let fields = reader.fields(group, "Output", &known);
    let name = reader
        .need(&fields, "name")
        .and_then(|node| read_output_name(reader, node));
    let ppi = fields
        .get("ppi")
        .map(|node| reader.number(node, PPI, "pixels per inch"));
    let ppi = ppi.unwrap_or(Some(300));
    let size = read_size(reader, &fields, ppi);
    let format = reader
        .need(&fields, "format")
        .and_then(|node| read_format(reader, node));
    let profiles = [
        ("Srgb", Profile::Srgb),
        ("DisplayP3", Profile::DisplayP3),
        ("OpRgb", Profile::OpRgb),
    ];
    let profile = match fields.get("profile") {
        Some(node) => reader.word(node, "profile", &profiles),
        None => Some(Profile::Srgb),
    };
    let pattern = match fields.get("pattern") {
        Some(node) => read_pattern(reader, node),
        None => Some(DEFAULT_PATTERN.to_owned()),
    };
    let sharpening = match fields.get("sharpening") {
        Some(node) => reader.number(node, 0.0..=2.0, "a factor"),
        None => Some(1.0),
    };
    let place = Place {
        file: Arc::clone(&reader.source),
        span: fields.head.clone(),
    };
    Some(Output {
        name: name?,
        size: size?,
        ppi: ppi?,
        format: format?,
        profile: profile?,
        pattern: pattern?,
        sharpening: Ratio(sharpening?),
        place,
    })
}

/// A short plain word: it becomes part of file names and reports.
fn read_output_name(reader: &mut Reader, node: &Node) -> Option<String> {
    let name = reader.text(node)?;
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.len() > 40 || !name.chars().all(plain) {
        reader
            .error(
                node.span.clone(),
                format!("`{name}` cannot be the name of an output"),
            )
            .help(
                "use up to 40 letters a to z, digits, `-` and `_`: it becomes part of file names",
            );
        return None;
    }
    Some(name)
}

fn read_size(reader: &mut Reader, fields: &Fields, ppi: Option<u32>) -> Option<Extent> {
    let ways = ["width", "height", "long_edge", "print"];
    let written: Vec<&str> = ways
        .into_iter()
        .filter(|way| fields.get(way).is_some())
        .collect();
    if let [_, second, ..] = written.as_slice() {
        let span = fields
            .name_of(second)
            .unwrap_or_else(|| fields.head.clone());
        reader
            .error(
                span,
                format!("{} are set, only one can be", one_of(written)).replace(" or ", " and "),
            )
            .label("one size too many")
            .help("an output's size is told in one way; the crop gives the other edge");
        return None;
    }
    let Some(way) = written.first() else {
        return Some(Extent::Full);
    };
    let node = fields.get(way)?;
    if *way == "print" {
        return read_print(reader, node, ppi?);
    }
    let pixels = reader.number(node, EDGE, "a number of pixels")?;
    Some(match *way {
        "width" => Extent::Width(pixels),
        "height" => Extent::Height(pixels),
        _ => Extent::LongEdge(pixels),
    })
}

fn read_print(reader: &mut Reader, node: &Node, ppi: u32) -> Option<Extent> {
    let [width, height] = reader.pair(node, "inches as (width, height)")?;
    let mut edge = |node: &Node| {
        let inches = reader.number(node, INCHES, "a number of inches")?;
        let pixels = (f64::from(inches) * f64::from(ppi)).round() as u32;
        if !EDGE.contains(&pixels) {
            let message = format!("{inches} inches at {ppi} ppi are {pixels} pixels");
            reader.error(node.span.clone(), message).label(format!(
                "expected {} to {} pixels",
                EDGE.start(),
                EDGE.end()
            ));
            return None;
        }
        Some(pixels)
    };
    let (width, height) = (edge(width), edge(height));
    Some(Extent::Exact(width?, height?))
}

fn read_format(reader: &mut Reader, node: &Node) -> Option<Format> {
    let names = ["Jpeg", "Png", "Tiff"];
    let (name, group, span): (_, Option<&Group>, Span) = match &node.value {
        Value::Word(word) => (*word, None, node.span.clone()),
        Value::Group(group) => (group.name.unwrap_or(""), Some(group), group.head.clone()),
        _ => {
            reader.expected(node, format!("a format: {}", one_of(names)));
            return None;
        }
    };
    if !names.contains(&name) {
        reader.unknown(span, "format", name, &names);
        return None;
    }
    let (setting, default) = if name == "Jpeg" {
        ("quality", 92)
    } else {
        ("bits", 8)
    };
    let fields = group.map(|group| reader.fields(group, name, &[setting]));
    let value = match fields.and_then(|fields| fields.get(setting)) {
        None => default,
        Some(node) if name == "Jpeg" => reader.number(node, 1..=100, "a quality")?,
        Some(node) => {
            let bits = reader.number(node, 8..=16, "a number of bits")?;
            if bits != 8 && bits != 16 {
                reader.error(
                    node.span.clone(),
                    format!("{name} is written with 8 or 16 bits"),
                );
            }
            bits
        }
    };
    Some(match name {
        "Jpeg" => Format::Jpeg { quality: value },
        "Png" => Format::Png { bits: value },
        _ => Format::Tiff { bits: value },
    })
}

/// A pattern whose names stay below the delivery folder whatever is put into it. (What is put
/// into it is cleaned where names are made; this is about what is written here.)
fn read_pattern(reader: &mut Reader, node: &Node) -> Option<String> {
    let pattern = reader.text(node)?;
    let errors = reader.notes.errors();
    let span = || node.span.clone();
    if pattern.len() > 200 {
        reader.error(span(), "a pattern has at most 200 bytes");
    }
    let outside = pattern.starts_with('/')
        || pattern.chars().nth(1) == Some(':')
        || pattern
            .split(['/', '\\'])
            .any(|part| part.trim_matches([' ', '.']).is_empty());
    if outside {
        reader
            .error(
                span(),
                format!(
                    "the pattern `{}` can leave the delivery folder",
                    pattern.escape_debug()
                ),
            )
            .label("no `..`, no leading `/`, no empty part")
            .help("names are made below `deliver_to`: \"web/{file_name}\"");
    }
    if let Some(bad) = pattern
        .chars()
        .find(|c| c.is_control() || "\\<>:\"|?*".contains(*c))
    {
        reader
            .error(
                span(),
                format!("the pattern holds `{}`", bad.escape_debug()),
            )
            .help("some systems refuse it in file names; folders are parted by `/`");
    }
    let lower = pattern.to_lowercase();
    let endings = [".jpg", ".jpeg", ".png", ".tif", ".tiff"];
    if let Some(ending) = endings.into_iter().find(|ending| lower.ends_with(ending)) {
        reader
            .error(span(), format!("the pattern ends with `{ending}`"))
            .help("the ending comes from `format`: leave it out");
    }
    let mut told_apart = false;
    let mut rest = pattern.as_str();
    while let Some(at) = rest.find(['{', '}']) {
        let (open, after) = rest[at..].split_at(1);
        let end = after
            .find(['{', '}'])
            .filter(|&end| open == "{" && after[end..].starts_with('}'));
        let Some(end) = end else {
            reader
                .error(span(), "braces in the pattern do not match")
                .help(format!("accepted: {}", placeholders()));
            break;
        };
        let name = &after[..end];
        if !PLACEHOLDERS.contains(&name) {
            reader.unknown(span(), "placeholder", name, &PLACEHOLDERS);
        }
        told_apart |= ["file_name", "person", "frame"].contains(&name);
        rest = &after[end + 1..];
    }
    if !told_apart && reader.notes.errors() == errors {
        reader
            .error(span(), "everybody would get the same name")
            .label("expected {file_name}, {person} or {frame}")
            .help(format!("accepted: {}", placeholders()));
    }
    Some(pattern)
}

fn placeholders() -> String {
    PLACEHOLDERS.map(|name| format!("{{{name}}}")).join(", ")
}
