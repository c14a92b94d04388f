//! A job's outputs: which kinds of files come out of each frame.
//!
//! Reading touches no disk; every mistake is noted at its place.

use std::sync::Arc;

use crate::colour::output::Profile;
use crate::deliver::encode::{Format, LOWEST_QUALITY};
use crate::deliver::metadata::Keep;
use crate::deliver::output::Extent;
use crate::engine::{Beside, Shape};
use crate::operations::values::Aspect;
use crate::picture::Ratio;
use crate::recipe::reader::{Fields, Reader};
use crate::recipe::tree::{Field, Group, Node, Value};
use crate::recipe::{Place, Span, one_of};

/// Smallest and largest edge of an output in pixels. The largest is a wall print of 66 inches at
/// 300 ppi; at 16 bits its file is 2.4 GB at 1:1, as much as a TIFF may hold (4 GiB).
const EDGE: std::ops::RangeInclusive<u32> = 16..=20_000;
/// Printed inches of an edge.
const INCHES: std::ops::RangeInclusive<f32> = 0.5..=100.0;
/// Pixels per inch.
const PPI: std::ops::RangeInclusive<u32> = 36..=1200;
/// Most outputs of one job; common practice, no source.
const MOST_OUTPUTS: usize = 24;
/// Kilobytes that a file may be held to.
const KILOBYTES: std::ops::RangeInclusive<u32> = 5..=1_000_000;
/// What a pattern can put into a name.
pub const PLACEHOLDERS: [&str; 5] = ["file_name", "person", "team", "frame", "output"];
/// The pattern of an output that has none.
pub const DEFAULT_PATTERN: &str = "{file_name}-{output}";

/// One kind of delivered file.
#[derive(Debug, Clone)]
pub struct Output {
    /// As reports and names call it.
    pub name: String,
    /// What part of the frame it shows.
    pub shape: Shape,
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
    /// Whether it is a black-and-white variant.
    pub black_and_white: bool,
    /// Private notes of the frame that are written into it.
    pub keep: Keep,
    /// Its name in the job file.
    pub place: Place,
}

/// Reads a job's list of outputs.
pub(super) fn read(reader: &mut Reader, node: &Node) -> Option<Vec<Output>> {
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
        "crop",
        "width",
        "height",
        "long_edge",
        "print",
        "ppi",
        "format",
        "profile",
        "pattern",
        "sharpening",
        "black_and_white",
        "keep",
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
    let shape = read_shape(reader, &fields, size);
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
    let black_and_white = match fields.get("black_and_white") {
        Some(node) => yes_or_no(reader, node),
        None => Some(false),
    };
    let keep = fields.get("keep").map(|node| read_keep(reader, node));
    let place = Place {
        file: Arc::clone(&reader.source),
        span: fields.head.clone(),
    };
    Some(Output {
        name: name?,
        shape: shape?,
        size: size?,
        ppi: ppi?,
        format: format?,
        profile: profile?,
        pattern: pattern?,
        sharpening: Ratio(sharpening?),
        black_and_white: black_and_white?,
        keep: keep.unwrap_or_default(),
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
                format!(
                    "`{}` cannot be the name of an output",
                    name.chars().take(41).collect::<String>()
                ),
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

fn yes_or_no(reader: &mut Reader, node: &Node) -> Option<bool> {
    reader.word(node, "answer", &[("true", true), ("false", false)])
}

/// What part of the frame an output shows. A print's inches tell it too, so both cannot be set.
fn read_shape(reader: &mut Reader, fields: &Fields, size: Option<Extent>) -> Option<Shape> {
    let Some(node) = fields.get("crop") else {
        return match size? {
            // In tenths of a per mille, so that any two edges make an aspect.
            Extent::Exact(width, height) => {
                let large = width.max(height);
                let term = |edge: u32| (u64::from(edge) * 10_000 / u64::from(large)).max(1) as u32;
                match Aspect::new(term(width), term(height)) {
                    Ok(aspect) => Some(Shape::Aspect(aspect)),
                    Err(rule) => {
                        let span = fields
                            .name_of("print")
                            .unwrap_or_else(|| fields.head.clone());
                        reader.error(span, rule);
                        None
                    }
                }
            }
            _ => Some(Shape::Recipe),
        };
    };
    if let Some(span) = fields
        .name_of("crop")
        .filter(|_| fields.get("print").is_some())
    {
        reader
            .error(span, "`print` and `crop` are set, only one can be")
            .label("one shape too many")
            .help("the print's inches give the shape; for another, tell `width` or `height` and `ppi`");
        return None;
    }
    let names = ["Recipe", "Square", "Circle", "Aspect", "Banner"];
    let (name, group, span): (_, Option<&Group>, Span) = match &node.value {
        Value::Word(word) => (*word, None, node.span.clone()),
        Value::Group(group) => (group.name.unwrap_or(""), Some(group), group.head.clone()),
        _ => {
            reader.expected(node, format!("a crop: {}", one_of(names)));
            return None;
        }
    };
    let plain = match name {
        "Recipe" => Some(Shape::Recipe),
        "Square" => Some(Shape::Aspect(
            Aspect::new(1, 1).expect("1 to 1 is an aspect"),
        )),
        "Circle" => Some(Shape::Circle),
        _ => None,
    };
    match (plain, group, name) {
        (Some(shape), None, _) => Some(shape),
        (Some(_), Some(_), _) => {
            reader
                .error(span, format!("`{name}` has no settings"))
                .help(format!("write `crop: {name}`"));
            None
        }
        (None, Some(group), "Aspect") => {
            let found = read_aspect(reader, &group.items, &group.fields);
            if found.is_none() && group.items.len() != 2 {
                reader.expected(node, "width to height, such as `Aspect(2, 3)`");
            }
            found.map(Shape::Aspect)
        }
        (None, Some(group), "Banner") => read_banner(reader, group),
        (None, None, "Aspect" | "Banner") => {
            let example = if name == "Aspect" {
                "Aspect(2, 3)"
            } else {
                "Banner(aspect: (3, 1), sitter: Left)"
            };
            reader
                .error(span, format!("`{name}` needs settings"))
                .help(format!("such as `crop: {example}`"));
            None
        }
        _ => {
            reader.unknown(span, "crop", name, &names);
            None
        }
    }
}

fn read_banner(reader: &mut Reader, group: &Group) -> Option<Shape> {
    let fields = reader.fields(group, "Banner", &["aspect", "sitter", "extend_wall"]);
    let aspect = reader.need(&fields, "aspect").and_then(|node| {
        let aspect = match &node.value {
            Value::Group(Group {
                name: None,
                items,
                fields,
                ..
            }) if items.len() == 2 => read_aspect(reader, items, fields),
            _ => {
                reader.expected(node, "width to height as (3, 1)");
                None
            }
        }?;
        if aspect.ratio() < 1.5 {
            reader
                .error(node.span.clone(), "a banner is at least 3 to 2")
                .help("for a picture that is less wide, write `crop: Aspect(5, 4)`");
            return None;
        }
        Some(aspect)
    });
    let sides = [("Left", Beside::Left), ("Right", Beside::Right)];
    let sitter = match fields.get("sitter") {
        Some(node) => reader.word(node, "side", &sides),
        None => Some(Beside::Left),
    };
    let extend_wall = match fields.get("extend_wall") {
        Some(node) => yes_or_no(reader, node),
        None => Some(false),
    };
    Some(Shape::Banner {
        aspect: aspect?,
        sitter: sitter?,
        extend_wall: extend_wall?,
    })
}

/// Two whole numbers, width to height.
fn read_aspect(reader: &mut Reader, items: &[Node], fields: &[Field]) -> Option<Aspect> {
    let ([width, height], true) = (items, fields.is_empty()) else {
        return None;
    };
    let mut term = |node: &Node| reader.number(node, 1..=10_000, "a whole number");
    let terms = (term(width), term(height));
    match Aspect::new(terms.0?, terms.1?) {
        Ok(aspect) => Some(aspect),
        Err(rule) => {
            reader.error(width.span.start..height.span.end, rule);
            None
        }
    }
}

fn read_keep(reader: &mut Reader, node: &Node) -> Keep {
    let mut keep = Keep::default();
    for item in reader.list(node, "notes").unwrap_or_default() {
        match reader.word(item, "note", &[("Place", true), ("SerialNumbers", false)]) {
            Some(true) => keep.place = true,
            Some(false) => keep.serial_numbers = true,
            None => {}
        }
    }
    keep
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
    let settings: &[&str] = if name == "Jpeg" {
        &["quality", "progressive", "max_kilobytes"]
    } else {
        &["bits"]
    };
    let fields = group.map(|group| reader.fields(group, name, settings));
    let get = |setting: &str| fields.as_ref().and_then(|fields| fields.get(setting));
    if name == "Jpeg" {
        let quality = match get("quality") {
            Some(node) => reader.number(node, 1..=100, "a quality"),
            None => Some(92),
        };
        let progressive = match get("progressive") {
            Some(node) => yes_or_no(reader, node),
            None => Some(false),
        };
        let largest = get("max_kilobytes")
            .map(|node| reader.number(node, KILOBYTES, "a number of kilobytes"));
        let capped = get("max_kilobytes").zip(get("quality"));
        if let Some((_, node)) = capped
            && quality.is_some_and(|quality| quality < LOWEST_QUALITY)
        {
            reader
                .error(
                    node.span.clone(),
                    "with `max_kilobytes`, `quality` is the highest that is tried",
                )
                .label(format!("expected at least {LOWEST_QUALITY}"))
                .help("leave `quality` out to begin at 92");
        }
        return Some(Format::Jpeg {
            quality: quality?,
            progressive: progressive?,
            largest: match largest {
                Some(largest) => Some(largest?),
                None => None,
            },
        });
    }
    let bits = match get("bits") {
        None => 8,
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
    Some(if name == "Png" {
        Format::Png { bits }
    } else {
        Format::Tiff { bits }
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
        return None;
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
