//! What a job holds its frames to: `practice: Practice(aperture: (5.6, 6.3), white_drift: 150)`.

use std::fmt::Display;
use std::ops::RangeInclusive;
use std::str::FromStr;

use crate::checks::Practice;
use crate::recipe::reader::{Fields, Reader};
use crate::recipe::tree::Node;

/// Every setting, for the reader and its help.
const KNOWN: [&str; 8] = [
    "aperture",
    "iso",
    "shutter",
    "key_to_fill",
    "backdrop_fall",
    "light_drift",
    "white_drift",
    "eye_softness",
];

/// Reads `Practice(…)`; what is not written keeps its default.
pub(super) fn read(reader: &mut Reader, node: &Node) -> Practice {
    let mut practice = Practice::default();
    let Some(group) = reader.group(node, "Practice", true) else {
        return practice;
    };
    let fields = reader.fields(group, "Practice", &KNOWN);
    span(
        reader,
        &fields,
        "aperture",
        0.7..=64.0,
        &mut practice.aperture,
    );
    span(reader, &fields, "iso", 25..=409_600, &mut practice.iso);
    span(
        reader,
        &fields,
        "shutter",
        0.03..=32_000.0,
        &mut practice.shutter,
    );
    span(
        reader,
        &fields,
        "key_to_fill",
        1.0..=32.0,
        &mut practice.key_to_fill,
    );
    for (name, range, value) in [
        ("backdrop_fall", 0.0..=10.0, &mut practice.backdrop_fall),
        ("light_drift", 0.01..=5.0, &mut practice.light_drift),
        ("white_drift", 5.0..=5000.0, &mut practice.white_drift),
        ("eye_softness", 1.05..=10.0, &mut practice.eye_softness),
    ] {
        if let Some(node) = fields.get(name) {
            *value = reader.number(node, range, "a number").unwrap_or(*value);
        }
    }
    practice
}

/// A pair `(low, high)`.
fn span<T>(
    reader: &mut Reader,
    fields: &Fields,
    name: &str,
    range: RangeInclusive<T>,
    into: &mut [T; 2],
) where
    T: FromStr + PartialOrd + Display + Copy,
{
    let Some(node) = fields.get(name) else { return };
    let Some([low, high]) = reader.pair(node, "two numbers as (lowest, highest)") else {
        return;
    };
    let mut one = |node: &Node| reader.number(node, range.clone(), "a number");
    let (Some(low), Some(high)) = (one(low), one(high)) else {
        return;
    };
    if low > high {
        reader
            .error(
                node.span.clone(),
                format!("the lowest of `{name}` is above its highest"),
            )
            .help(format!("write ({high}, {low})"));
        return;
    }
    *into = [low, high];
}
