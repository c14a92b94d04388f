//! How alike a job's delivered pictures are: figures of their sidecars, one row a person, beside the
//! set's own middle or a past delivery.

use std::path::PathBuf;

use crate::colour::output::Profile;
use crate::deliver::atomic::{self, sidecar_path};
use crate::deliver::consistency_page::{self as page, Measure, Page, Row};
use crate::deliver::encode::{self, Format, Pixels};
use crate::deliver::metadata::Metadata;
use crate::deliver::output;
use crate::deliver::sidecar::{Looks, Sidecar};
use crate::measure::{Lab, delta_e_2000};
use crate::raw::Frame;

use super::finish::{self, PROGRAM};
use super::input;
use super::past::medians;
use super::plan::Plan;

/// Names of the two files in the delivery folder.
pub(super) const PAGE: &str = "consistency.html";
pub(super) const TABLE: &str = "consistency.csv";
/// Long side of a thumbnail in pixels.
const THUMBNAIL: usize = 160;

/// How far a picture may be off the target before it is named. Half of what two pictures of one
/// set may differ by: Delta E 2000 of 1.0 for walls, 1.5 % of the height for heads, 1 % for
/// eye lines.
const WALL: f64 = 0.5;
const HEAD: f64 = 0.75;
const EYES: f64 = 0.5;
/// Per cent of the width by which a face may stand beside the others'; L* that a wall may be more
/// uneven; common practice, no source.
const AXIS: f64 = 1.0;
const SPREAD: f64 = 1.0;
/// Stops and kelvin that matching may change before somebody should look at the light; common
/// practice, no source.
const STOPS: f64 = 0.5;
const KELVIN: f64 = 300.0;

/// Gathers the delivery's figures.
///
/// # Errors
/// When no delivered file has a sidecar.
pub fn gather(plan: &Plan) -> Result<Page, String> {
    let mut found: Vec<(String, Sidecar, PathBuf)> = Vec::new();
    for task in &plan.tasks {
        let Some(order) = task.outputs.first() else {
            continue;
        };
        let path = plan.deliver_to.join(&order.file);
        if let Some(sidecar) = finish::read_sidecar(&sidecar_path(&path)) {
            found.push((task.sitter.person.clone(), sidecar, path));
        }
    }
    if found.is_empty() {
        return Err(format!(
            "{}: nothing is delivered there yet; run `lapel finish` first",
            plan.deliver_to.display()
        ));
    }
    let own = medians(found.iter().map(|(_, sidecar, _)| &sidecar.looks));
    let target = plan.past.as_ref().map_or(own, |past| past.looks);
    let measures = measures(&found, &target);
    let rows = found
        .iter()
        .map(|(person, sidecar, path)| Row {
            person: person.clone(),
            frame: sidecar.frame.name.clone(),
            thumbnail: thumbnail(path),
        })
        .collect();
    let beside = match &plan.past {
        Some(past) => format!("a past delivery of {} files", past.files),
        None => "the middle of this delivery".to_owned(),
    };
    Ok(Page {
        client: plan.client.clone(),
        beside,
        rows,
        measures,
    })
}

fn lab([l, a, b]: [f64; 3]) -> Lab {
    Lab::new(l, a, b)
}

fn measures(found: &[(String, Sidecar, PathBuf)], target: &Looks) -> Vec<Measure> {
    let figure = |of: &dyn Fn(&Sidecar) -> Option<f64>| -> Vec<Option<f64>> {
        found.iter().map(|(_, sidecar, _)| of(sidecar)).collect()
    };
    let looks = |of: &dyn Fn(&Looks) -> Option<f64>, factor: f64| {
        let values = figure(&|sidecar| of(&sidecar.looks).map(|v| v * factor));
        (of(target).map(|v| v * factor), values)
    };
    let measure = |name: &'static str,
                   unit: &'static str,
                   (target, values): (Option<f64>, Vec<Option<f64>>),
                   tolerance: f64| Measure {
        name,
        unit,
        target,
        tolerance,
        values,
    };
    let off = figure(&|sidecar| {
        let (own, wanted) = sidecar.looks.wall.zip(target.wall)?;
        Some((delta_e_2000(lab(own), lab(wanted)) * 100.0).round() / 100.0)
    });
    let mut all = vec![
        measure("Wall, distance", "Delta E 2000", (Some(0.0), off), WALL),
        measure(
            "Wall, lightness",
            "L*",
            looks(&|l| Some(l.wall?[0]), 1.0),
            WALL,
        ),
        measure(
            "Wall, red to green",
            "a*",
            looks(&|l| Some(l.wall?[1]), 1.0),
            WALL,
        ),
        measure(
            "Wall, yellow to blue",
            "b*",
            looks(&|l| Some(l.wall?[2]), 1.0),
            WALL,
        ),
        measure(
            "Wall, unevenness",
            "L*, 5th to 95th percentile",
            looks(&|l| l.wall_spread, 1.0),
            SPREAD,
        ),
        measure(
            "Head height",
            "% of the picture's height",
            looks(&|l| l.head_height, 100.0),
            HEAD,
        ),
        measure(
            "Eye line",
            "% from the top",
            looks(&|l| l.eye_line, 100.0),
            EYES,
        ),
        measure(
            "Axis of the face",
            "% from the left",
            looks(&|l| l.face_axis, 100.0),
            AXIS,
        ),
    ];
    if found
        .iter()
        .any(|(_, sidecar, _)| sidecar.matched.is_some())
    {
        let rounded = |value: f32, parts: f64| (f64::from(value) * parts).round() / parts;
        let stops = figure(&|s| s.matched.map(|m| rounded(m.exposure.0, 1000.0)));
        let kelvin = figure(&|s| s.matched?.kelvin.map(|k| rounded(k, 1.0)));
        all.push(measure(
            "Exposure added by matching",
            "stops",
            (Some(0.0), stops),
            STOPS,
        ));
        all.push(measure(
            "Light against the reference's",
            "K",
            (Some(0.0), kelvin),
            KELVIN,
        ));
    }
    all
}

/// A small JPEG of a delivered file; empty where it cannot be read.
fn thumbnail(path: &std::path::Path) -> Vec<u8> {
    let Ok((Frame::Finished(finished), _)) = finish::open(path) else {
        return Vec::new();
    };
    let (pixels, size) = output::thumbnail(&finished.picture, THUMBNAIL);
    let format = Format::jpeg(80);
    let icc = Profile::Srgb.icc();
    encode::encode(
        &Pixels::Eight(pixels),
        size,
        format,
        &icc,
        &Metadata::default(),
    )
    .map_or_else(|_| Vec::new(), |(file, _)| file)
}

/// Writes page and table into the delivery folder; gives their paths.
///
/// # Errors
/// When one cannot be written, or a file stands there that this program did not write.
pub fn write(plan: &Plan, page: &Page) -> Result<[PathBuf; 2], String> {
    let originals = plan.originals();
    let put = |name: &str, text: String| {
        let path = plan.deliver_to.join(name);
        let foreign =
            input::bytes(&path, input::LONGEST_FRAME).is_ok_and(|before| !page::is_ours(&before));
        if foreign {
            return Err(format!(
                "{}: a file stands there that this program did not write; move it away",
                path.display()
            ));
        }
        atomic::write(&path, text.as_bytes(), &originals).map_err(|error| error.to_string())?;
        Ok(path)
    };
    let html = put(PAGE, page.html(PROGRAM))?;
    let table = put(TABLE, page.csv()?)?;
    Ok([html, table])
}
